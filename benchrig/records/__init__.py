"""The store of runs: each step written as it ends, traces included, and read back as frozen records."""

from benchrig.records.json_export import run_document
from benchrig.records.recorder import Recorder
from benchrig.records.run_record import RunRecord, RunSummary
from benchrig.records.store import Store

__all__ = ["Recorder", "RunRecord", "RunSummary", "Store", "run_document"]
