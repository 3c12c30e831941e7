"""What in a model file is no mistake by its form and yet probably one: units wrong by 1000, names nearly alike."""

from __future__ import annotations

import difflib
import itertools
from collections.abc import Mapping, Sequence

from benchrig.analysis.characteristics import CHARACTERISTICS, title_of
from benchrig.catalogue.valve_model import ValveModel

__all__ = ["doubts_about", "names_alike"]

ALIKE = 0.85
"""Names from this likeness on are told (`difflib`'s ratio: 2 x letters in common / letters of both)."""
USUAL: Mapping[str, tuple[float, float]] = {
    "coil_resistance_20c_ohm": (2.0, 200.0),
    "steady_current_a": (0.05, 8.0),
    "hold_leak_sccm": (0.02, 2000.0),
    "flow_at_rated_vacuum_lpm_anr": (0.2, 500.0),
    "sonic_conductance_dm3_s_bar": (0.002, 8.0),
    "critical_pressure_ratio": (0.02, 0.9),
    "opening_delay_ms": (1.0, 500.0),
    "pull_in_time_ms": (1.0, 300.0),
    "drop_out_time_ms": (1.0, 500.0),
    "click_spread_ms": (0.05, 100.0),
    "coil_resistance_warm_ohm": (2.0, 300.0),
    "flow_at_rated_vacuum_warm_lpm_anr": (0.2, 500.0),
    "pull_in_time_warm_ms": (1.0, 300.0),
    "drop_out_time_warm_ms": (1.0, 500.0),
}
"""Where a limit for a valve of this sort for 12 V lies, wide on purpose: our judgement; common practice, no source."""


def doubts_about(model: ValveModel) -> tuple[str, ...]:
    """Limits that lie far from what such valves have, each in a sentence; what is usual is a wide range (`USUAL`).

    Examples
    --------
    >>> from benchrig.catalogue.general_practice import by_general_practice
    >>> doubts_about(by_general_practice())
    ()
    """
    doubts = [
        _doubt(limit.name, side, value)
        for limit in model.limit
        for side, value in (("low", limit.low), ("high", limit.high))
        if value  # zero is a limit like any other
    ]
    if not model.fictional and all("made up" in limit.limit_from for limit in model.limit):
        doubts.append("limit_from says of every limit that it is made up, and the model is not fictional. Copied?")
    return tuple(filter(None, doubts))


def _doubt(name: str, side: str, value: float) -> str:
    low, high = USUAL[name]
    if low <= value <= high:
        return ""
    unit = CHARACTERISTICS[name].unit
    said = f"{title_of(name)}, {side} = {value:g}: {unit} is meant, and {low:g} to {high:g} {unit} is usual.".replace(
        " :", ":"
    )
    for factor, times in ((1000.0, "a thousand times too large"), (1e-3, "a thousand times too small")):
        if low <= value / factor <= high:
            return f"{said} Is it {times}: {value / factor:g} {unit}?"
    return f"{said} Is the unit right?"


def names_alike(names: Sequence[str]) -> tuple[tuple[str, str], ...]:
    """Pairs of names that are easily taken for each other.

    Examples
    --------
    >>> names_alike(["alder-24", "birch-26", "birch-2-6"])
    (('birch-2-6', 'birch-26'),)
    """
    return tuple(
        (one, other)
        for one, other in itertools.combinations(sorted(names), 2)
        if one.replace("-", "") == other.replace("-", "")
        or (_same_figures(one, other) and difflib.SequenceMatcher(None, one, other).ratio() >= ALIKE)
    )


def _same_figures(one: str, other: str) -> bool:
    """Names that differ by a figure are a series; by a letter, mostly a slip."""
    return [c for c in one if c.isdigit()] == [c for c in other if c.isdigit()]
