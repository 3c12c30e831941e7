"""A trace made by physics of its own, what `benchrig analyse` is told about it, and what is true.

Shared by the generators (`stranger_gas.py`, `stranger_coil.py`) and the study (`strangers.py`). None of the three may
import from `benchrig.analysis` to make a trace: two models, written apart, or agreement proves nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

__all__ = ["MATTERS", "Stranger", "StrangerClass", "wrong_and_sure"]

MATTERS: dict[str, tuple[float, float]] = {
    "hold_leak_sccm": (0.3, 0.03),
    "thermal_time_constant_s": (0.3, 0.15),
    "sonic_conductance_dm3_s_bar": (0.003, 0.03),
    "critical_pressure_ratio": (0.05, 0.0),
    "flow_at_rated_vacuum_lpm_anr": (0.15, 0.03),
    "opening_delay_ms": (1.0, 0.05),
    "pull_in_time_ms": (0.2, 0.02),
    "motion_start_ms": (0.5, 0.05),
    "drop_out_time_ms": (0.5, 0.05),
    "steady_current_a": (0.002, 0.01),
    "resistance_ohm": (0.0, 0.015),
    "dip_a": (0.005, 0.1),
}
"""An error that matters, by the name of the value: absolute, or this part of the true value, whichever is more. Our own
judgement of what changes a verdict or an argument; fixed before the analyses were changed."""


@dataclass(frozen=True)
class Stranger:
    """One trace.

    Attributes
    ----------
    time_s, signal : ndarray, shape (n,)
        Signal in Pa (hold, flow) or A (inrush), as an instrument would have recorded it.
    told : mapping
        Keyword arguments of `analyse_hold`, `analyse_flow` or `analyse_inrush` beside the two arrays.
    true : mapping
        What is true, by the name of the result's attribute. A number or a bool; None: no single value is true, so any
        value stated is wrong and sure. A name that is absent is not looked at.
    """

    time_s: np.ndarray
    signal: np.ndarray
    told: Mapping[str, Any]
    true: Mapping[str, float | bool | None]


Draw = Callable[[np.random.Generator], Stranger]


@dataclass(frozen=True)
class StrangerClass:
    """A class of traces.

    `keeps` says whether it keeps to what the docstrings of `benchrig.analysis` say a record is. `make` draws one.
    `words`: any of these in the notes counts as having named what is wrong with the record (for the report only).
    `hidden`: neither the trace nor what is told can show it (reported apart, and not in the totals).
    """

    kind: str
    name: str
    keeps: bool
    make: Draw
    words: tuple[str, ...] = field(default=())
    hidden: bool = False


def entered_in(classes: list[StrangerClass], kind: str) -> Callable[..., Callable[[Draw], Draw]]:
    """A decorator that enters what it decorates in a list of classes: its name, whether it keeps, words, hidden."""

    def a_class(name: str, keeps: bool, words: tuple[str, ...] = (), hidden: bool = False) -> Callable[[Draw], Draw]:
        def enter(make: Draw) -> Draw:
            if all(each.name != name for each in classes):  # a test runner may import a module of classes twice
                classes.append(StrangerClass(kind, name, keeps, make, words, hidden))
            return make

        return enter

    return a_class


def wrong_and_sure(name: str, value: float, u: float | None, true: float | None, bound: str = "") -> bool:
    """Whether a stated value is off by more than it matters and by more than two of its standard uncertainties."""
    if true is None:
        return True
    least, part = MATTERS[name]
    off = abs(value - true)
    if bound == "above":
        return true < value - max(least, part * abs(true))
    if bound == "below":
        return true > value + max(least, part * abs(true))
    if u is None or not math.isfinite(u):
        return off > max(least, part * abs(true))
    return off > max(least, part * abs(true)) and off > 2 * u
