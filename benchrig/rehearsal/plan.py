"""Which valves come in a rehearsal: drawn by index, so that the workers' number and order change nothing."""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchrig.errors import ConfigError
from benchrig.rehearsal.valve_mix import GOOD, SOUND, ValveMix
from benchrig.verdict.judgement import Limit

__all__ = [
    "GRADES",
    "NEAR",
    "NEAR_LIMITS",
    "OVER_LIMITS",
    "Entry",
    "draw_entry",
    "draw_near_limit",
    "draw_over_limits",
    "grade",
]

SEEDS = 2**32
GRADES = ("barely", "clearly", "grossly", "not graded")
BARELY_BELOW, GROSSLY_ABOVE = 0.25, 0.70
NEAR_LIMITS = {"seat-leak": "hold_leak_sccm", "restricted": "flow_at_rated_vacuum_lpm_anr"}
"""Conditions that can be had on either side of their limit, and the characteristic that it is for."""
OVER_LIMITS = {
    "seat-leak": ("hold_leak_sccm", "high"),
    "restricted": ("flow_at_rated_vacuum_lpm_anr", "low"),
    "high-resistance-joint": ("coil_resistance_20c_ohm", "high"),
    "sluggish": ("pull_in_time_ms", "high"),
}
"""Conditions for the operating characteristic: the characteristic, and which of its limits they cross."""
COIL_FROM = 0.97
"""A joint only adds to a coil, and a good coil is at most so near its upper limit."""
NEAR = (0.7, 1.3)
"""How near: the true value over the limit."""


@dataclass(frozen=True)
class Entry:
    """One valve to come: all that the simulated bench needs to make the same valve again.

    Attributes
    ----------
    value : float or None
        In place of a severity: the true value of what the condition puts out of its limit.
    of_limit : float or None
        That value over the limit.
    within_limit : bool or None
        Whether it lies on the right side of it.
    faults : tuple of str
        What is the matter with the bench, from the start.
    """

    index: int
    model: str
    condition: str
    severity: float | None
    seed: int
    value: float | None = None
    of_limit: float | None = None
    within_limit: bool | None = None
    faults: tuple[str, ...] = ()

    @property
    def conforms(self) -> bool:
        """Whether the valve is to be accepted."""
        return self.condition == GOOD if self.within_limit is None else self.within_limit


def draw_entry(mix: ValveMix, seed: int, index: int) -> Entry:
    """Draw valve number `index` of the rehearsal with this seed; the same whatever else is drawn.

    Examples
    --------
    >>> from benchrig.rehearsal.valve_mix import default_mix
    >>> draw_entry(default_mix(), 7, 3) == draw_entry(default_mix(), 7, 3)
    True
    """
    draw = random.Random(f"rehearsal {seed} valve {index}")
    model = _pick(draw, list(mix.models), list(mix.models.values()))
    condition = _pick(draw, list(mix.conditions), [each.share for each in mix.conditions.values()])
    between = mix.conditions[condition].severity
    # Rounded to what the command prints: typed again, it is the same valve.
    severity = None if between is None else round(draw.uniform(*between), 4)
    valve_seed = draw.randrange(SEEDS)
    what = SOUND if not mix.circumstances else _pick(draw, list(mix.circumstances), list(mix.circumstances.values()))
    faults = () if what == SOUND else (f"{what}@0",)
    return Entry(index, model, condition, severity, valve_seed, faults=faults)


def draw_near_limit(mix: ValveMix, limits: Mapping[str, Sequence[Limit]], seed: int, index: int) -> Entry:
    """Draw valve number `index` whose leak or flow lies evenly between `NEAR` times its limit, on either side of it.

    Parameters
    ----------
    mix : ValveMix
        For the models; its conditions do not matter here.
    limits : mapping of str to sequence of Limit
        Of each model.
    seed, index : int
        As for `draw_entry`.

    Raises
    ------
    ConfigError
        A model limits neither leak nor flow.
    """
    draw = random.Random(f"near limits {seed} valve {index}")
    model = _pick(draw, list(mix.models), list(mix.models.values()))
    allowed = {limit.name: limit for limit in limits[model]}
    sides = {
        condition: side
        for condition, name in NEAR_LIMITS.items()
        if name in allowed and (side := allowed[name].high if condition == "seat-leak" else allowed[name].low)
    }
    if not sides:
        raise ConfigError(
            f"Model {model} limits neither leak nor flow: nothing can be near.", hint="Give it limits, or leave it out."
        )
    condition = draw.choice(list(sides))
    of_limit = round(draw.uniform(*NEAR), 3)
    within = of_limit <= 1.0 if condition == "seat-leak" else of_limit >= 1.0
    value = round(of_limit * sides[condition], 6)
    return Entry(index, model, condition, None, draw.randrange(SEEDS), value, of_limit, within)


def draw_over_limits(mix: ValveMix, limits: Mapping[str, Sequence[Limit]], seed: int, index: int) -> Entry:
    """Draw valve number `index` of an operating characteristic: one characteristic after the other, evenly over `NEAR`.

    Parameters as for `draw_near_limit`.

    Raises
    ------
    ConfigError
        A model limits none of them.
    """
    draw = random.Random(f"over limits {seed} valve {index}")
    model = _pick(draw, list(mix.models), list(mix.models.values()))
    allowed = {limit.name: limit for limit in limits[model]}
    sides = {
        condition: (side, name)
        for condition, (name, which) in OVER_LIMITS.items()
        if name in allowed and (side := getattr(allowed[name], which)) is not None
    }
    if not sides:
        raise ConfigError(
            f"Model {model} limits none of leak, flow, coil and pull-in: there is nothing to cross.",
            hint="Give it limits, or leave it out.",
        )
    condition = list(sides)[index % len(sides)]
    side, name = sides[condition]
    least = COIL_FROM if name == "coil_resistance_20c_ohm" else NEAR[0]
    of_limit = round(draw.uniform(least, NEAR[1]), 3)
    within = of_limit <= 1.0 if OVER_LIMITS[condition][1] == "high" else of_limit >= 1.0
    return Entry(index, model, condition, None, draw.randrange(SEEDS), round(of_limit * side, 6), of_limit, within)


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
