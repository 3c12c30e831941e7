"""Holding the square code of a page or a label against the store: whether it fits its record, and is out of date."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from benchrig.errors import ConfigError
from benchrig.records.label_code import read_label_code
from benchrig.records.later import Later
from benchrig.records.run_record import RunRecord, utc_text
from benchrig.records.seal_check import Fault
from benchrig.records.store import Store

__all__ = ["CodeChecked", "check_code"]

HINT = "Scan the square code of a page or a label; it begins with BR2: or BR1:"


@dataclass(frozen=True)
class CodeChecked:
    """What was found.

    Attributes
    ----------
    record : RunRecord
        The run of that number.
    faults : tuple of Fault
        What does not fit the record, or is in the record not as it was sealed.
    newer : tuple of Later
        What came since the page or label was made.
    says_how_new : bool
        Labels of older programs do not say what was known when they were made.
    """

    record: RunRecord
    faults: tuple[Fault, ...]
    newer: tuple[Later, ...]
    says_how_new: bool

    def document(self) -> dict[str, Any]:
        """For a program to read."""
        return {
            "run": self.record.run,
            "tag": self.record.tag,
            "verdict": self.record.verdict,
            "fits": not self.faults,
            "out_of_date": bool(self.newer) if self.says_how_new else None,
            "newer": [{"at": utc_text(each.at), "kind": each.kind, "says": each.says} for each in self.newer],
            "faults": [{"what": each.what, "how": each.how, "says": each.says} for each in self.faults],
        }


def check_code(store: Store, text: str) -> CodeChecked:
    """Hold a code that was scanned against the record of its run.

    Raises
    ------
    ConfigError
        It is no code of ours, or of a run that this store does not have.
    BenchError
        The record is damaged, or was taken out of the store.
    """
    code = read_label_code(text)
    if code is None:
        raise ConfigError(f"{text.strip()[:80]!r} is no code of a page or a label.", hint=HINT)
    record = store.run(f"run:{code.name}")
    what = "the code"
    faults = []
    if not code.digest or not record.digest.startswith(code.digest):
        says = f"it is of another record than run {record.run} of this store: of another bench's store, or made up"
        faults.append(Fault(what, "swapped", says))
    if not code.means_tag(record.tag):
        faults.append(Fault(what, "changed", f"it names another part; run {record.run} is of {record.tag}"))
    verdict = record.verdict or record.ending
    if code.verdict != verdict:
        faults.append(Fault(what, "changed", f"it says {code.verdict}; the record says {verdict}"))
    known = len(record.later) if code.later is None else code.later
    if known > len(record.later):
        says = f"{known} later entries were known when it was made; the store has {len(record.later)}"
        faults.append(Fault(f"what came after run {record.run}", "removed", says))
    sealed = () if record.seal is None else record.seal.faults
    return CodeChecked(record, (*faults, *sealed), record.later[known:], code.later is not None)
