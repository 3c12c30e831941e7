"""What a bench check found: one `CheckItem` a line, the whole as a `CheckResult`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from benchrig.bench.exchanged_parts import Made

__all__ = ["CheckItem", "CheckItemOutcome", "CheckResult"]

CheckItemOutcome = Literal["pass", "fail", "not done"]


@dataclass(frozen=True)
class CheckItem:
    """One thing that was looked at.

    Attributes
    ----------
    name, title : str
        For programs, and for people.
    outcome : {"pass", "fail", "not done"}
        Not done: something before it failed, or the bench lacks the reference; `why` says which.
    value, u, low, high : float or None
        What was measured, its standard uncertainty, and what is allowed, in `unit`.
    why : str
        What is wrong, or why it was not done.
    to_do : str
        What to check, cheapest first.
    """

    name: str
    title: str
    outcome: CheckItemOutcome
    value: float | None = None
    u: float | None = None
    unit: str = ""
    low: float | None = None
    high: float | None = None
    why: str = ""
    to_do: str = ""


@dataclass(frozen=True)
class CheckResult:
    """One bench check. Passed when no look failed and none that should be done was left out."""

    items: tuple[CheckItem, ...]
    started: datetime
    ended: datetime
    operator: str
    bench_seconds: float
    bench_file_sha256: str
    board: str
    meter: str
    program: str
    made_on: Made = ()
    """What identified the bench (`benchrig.bench.exchanged_parts`)."""

    @property
    def passed(self) -> bool:
        """Whether the bench can be trusted today."""
        return bool(self.items) and all(item.outcome == "pass" for item in self.items)
