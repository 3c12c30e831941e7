"""What the pictures look up in a record."""

from __future__ import annotations

import math

from benchrig.analysis.results import Characteristic, Samples, Trace
from benchrig.records.run_record import RunRecord
from benchrig.verdict.judgement import Limit

__all__ = ["STANDARD_K", "STANDARD_PA", "ambient_pa", "curve_of", "first_trace", "limit_of", "measured", "reading"]

STANDARD_PA, STANDARD_K = 101_325.0, 273.15
"""What a standard cubic centimetre is counted at here: 101.325 kPa and 0 degC."""


def limit_of(record: RunRecord, name: str) -> Limit | None:
    """The limit that the model set when the run was made."""
    return next((limit for limit in record.model.limits if limit.name == name), None)


def measured(record: RunRecord, name: str) -> Characteristic | None:
    """The characteristic of that name, measured or not."""
    return next((each for each in record.characteristics if each.name == name), None)


def reading(record: RunRecord, step: str, label: str, otherwise: float) -> float:
    """A plain reading of a step, or `otherwise` when it is not there."""
    found = record.step(step)
    value = otherwise if found is None else found.readings.get(label, (otherwise, ""))[0]
    return value if math.isfinite(value) else otherwise


def ambient_pa(record: RunRecord) -> float:
    """Open air at the beginning of the run, in pascals; standard pressure when the run has no such reading."""
    return reading(record, "ready", "ambient pressure", STANDARD_PA / 1000) * 1000


def first_trace(record: RunRecord, step: str, column: str) -> Trace | None:
    """The first trace of a step that has at least two samples of that column."""
    return next((t for t in record.traces(step) if column in t.columns and len(t.time_s) > 1), None)


def curve_of(trace: Trace, column: str) -> tuple[Samples, Samples] | None:
    """Times and values of the first line drawn over that column."""
    for name, curve in trace.curves:
        if name == column and len(curve.time_s):
            return curve.time_s, curve.values
    return None
