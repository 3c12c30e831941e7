"""What page, label and terminal say of a record's seal."""

from __future__ import annotations

from benchrig.records.run_record import RunRecord

__all__ = ["broken_lines", "label_seal", "seal_line"]

MOST_LINES = 6
LABEL_FIGURES = 10
"""More do not fit beside a number of seven figures."""


def broken_lines(record: RunRecord) -> list[str]:
    """What is not as it was sealed, a line for each; empty where all is."""
    faults = () if record.seal is None else record.seal.faults
    said = [f"{each.what}: {each.says}" for each in faults]
    return said if len(said) <= MOST_LINES else [*said[:MOST_LINES], f"and {len(said) - MOST_LINES} more"]


def seal_line(record: RunRecord) -> str:
    """Where the record stands in its bench's chain: enough to hold it against the store later, and all before it."""
    seal = record.seal
    if seal is None:
        return ""
    if not seal.number:
        return "not sealed: older than the seals of this store" if seal.state == "not sealed then" else "seal missing"
    of = "seal of its beginning" if seal.state == "going on" else "seal"
    return f"{of} {seal.number}:{seal.digest} by key {seal.key}"


def label_seal(record: RunRecord) -> str:
    """The same for the label: number and the first figures."""
    seal = record.seal
    return "" if seal is None or not seal.number else f"seal {seal.number}:{seal.digest[:LABEL_FIGURES]}"
