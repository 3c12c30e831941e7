"""What a step found, in a few words: for a line on a terminal or on a console's page."""

from __future__ import annotations

from benchrig.analysis.characteristics import number_text
from benchrig.reports.formatting import unit_text
from benchrig.sequencer.events import StepResult

__all__ = ["step_gist"]

MOST_READINGS = 3
"""More than that is for the page, where each has its name."""


def step_gist(step: StepResult) -> str:
    """The first result of a step, or its first readings; so short that its line fits 80 columns."""
    for each in step.characteristics:
        if each.value is not None:
            sign = {"above": "> ", "below": "< "}.get(each.bound, "")
            return f"{sign}{number_text(each.name, each.value)} {unit_text(each.unit)}"
        if each.why_not:
            return f"not measured: {each.why_not}"
    read = [(label, f"{value:.4g} {unit_text(unit)}".strip()) for label, (value, unit) in step.readings.items()]
    return " ".join(read[0]) if len(read) == 1 else ", ".join(value for _, value in read[:MOST_READINGS])
