"""What a step found, before the run adds its name and times."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from benchrig.analysis.results import Characteristic, Trace

__all__ = ["StepOutput"]


@dataclass(frozen=True)
class StepOutput:
    """The content of a `StepResult`; see there."""

    characteristics: tuple[Characteristic, ...] = ()
    traces: tuple[Trace, ...] = ()
    readings: Mapping[str, tuple[float, str]] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    skipped: str = ""
