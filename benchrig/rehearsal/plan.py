"""Which valves come in a rehearsal: drawn by index, so that the workers' number and order change nothing."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass

from benchrig.rehearsal.mix import Mix

__all__ = ["GRADES", "Entry", "draw_entry", "grade"]

SEEDS = 2**32
GRADES = ("barely", "clearly", "grossly", "not graded")
BARELY_BELOW, GROSSLY_ABOVE = 0.25, 0.70


@dataclass(frozen=True)
class Entry:
    """One valve to come: all that the simulated bench needs to make the same valve again."""

    index: int
    model: str
    condition: str
    severity: float | None
    seed: int


def draw_entry(mix: Mix, seed: int, index: int) -> Entry:
    """Draw valve number `index` of the rehearsal with this seed; the same whatever else is drawn.

    Examples
    --------
    >>> from benchrig.rehearsal.mix import default_mix
    >>> draw_entry(default_mix(), 7, 3) == draw_entry(default_mix(), 7, 3)
    True
    """
    draw = random.Random(f"rehearsal {seed} valve {index}")
    model = _pick(draw, list(mix.models), list(mix.models.values()))
    condition = _pick(draw, list(mix.conditions), [each.share for each in mix.conditions.values()])
    between = mix.conditions[condition].severity
    # Rounded to what the command prints: typed again, it is the same valve.
    severity = None if between is None else round(draw.uniform(*between), 4)
    return Entry(index, model, condition, severity, draw.randrange(SEEDS))


def grade(severity: float | None) -> str:
    """Word for a severity.

    >>> grade(0.1), grade(0.5), grade(0.9), grade(None)
    ('barely', 'clearly', 'grossly', 'not graded')
    """
    if severity is None:
        return "not graded"
    if severity < BARELY_BELOW:
        return "barely"
    return "grossly" if severity > GROSSLY_ABOVE else "clearly"


def _pick(draw: random.Random, names: Sequence[str], shares: Sequence[float]) -> str:
    return draw.choices(names, weights=shares)[0]
