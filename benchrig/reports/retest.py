"""A part that was tested before: what its last finished run said, and what has changed since."""

from __future__ import annotations

from dataclasses import dataclass

from benchrig.records.run_record import RunRecord
from benchrig.reports.formatting import Row, rows, value_text, verdict_words
from benchrig.reports.lookups import measured

__all__ = ["Change", "Retest", "retest"]


@dataclass(frozen=True)
class Change:
    """One characteristic, before and now, ready to print; the unit stands apart."""

    title: str
    unit: str
    before: str
    before_outcome: str
    now: str
    now_outcome: str


@dataclass(frozen=True)
class Retest:
    """The run before this one.

    Attributes
    ----------
    run, day : str
        Its number and its local date.
    says : str
        Its verdict, with the cause that it named.
    changes : tuple of Change
        Every characteristic whose outcome is another one now, in the order of the table.
    """

    run: str
    day: str
    says: str
    changes: tuple[Change, ...]


def retest(before: RunRecord, now: RunRecord) -> Retest:
    """Put a run beside the one before it of the same part and model."""
    earlier = {row.name: row for row in rows(before)}
    judgement = before.judgement
    cause = f": {judgement.cause}" if judgement is not None and judgement.cause else ""
    return Retest(
        run=before.run,
        day=f"{before.started.astimezone():%Y-%m-%d}",
        says=f"{verdict_words(before).word}{cause}",
        changes=tuple(
            _change(before, earlier[row.name], now, row)
            for row in rows(now)
            if row.name in earlier and earlier[row.name].outcome != row.outcome
        ),
    )


def _change(before: RunRecord, was: Row, now: RunRecord, row: Row) -> Change:
    values = [value_text(measured(each, row.name)) for each in (before, now)]
    return Change(row.title, row.unit, values[0], was.outcome, values[1], row.outcome)
