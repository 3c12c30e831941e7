"""What an analysis hands on: a `Trace` it looked at and the `Characteristic` it found."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

__all__ = ["Bound", "Characteristic", "Curve", "Samples", "Trace"]

Samples = npt.NDArray[np.float64]
Bound = Literal["", "above", "below"]
NOT_FINITE = "the analysis gave no finite number"


@dataclass(frozen=True)
class Characteristic:
    """One measured property of the valve.

    Attributes
    ----------
    name : str
        Name with its unit, from the table in `benchrig.analysis.characteristics`, e.g. ``hold_leak_sccm``.
    value : float or None
        Measured value in `unit`; None when it was not measured, and then `why_not` says why.
    u : float or None
        Standard uncertainty of `value` in `unit`; None when there is no value or when the value is only a bound.
    unit : str
        As printed beside the number: ``ohm``, ``A``, ``ms``, ``sccm``, ``dm3/(s bar)``, ``L/min ANR``; empty: a ratio.
    how : str
        How it was obtained, in half a sentence, for the record.
    bound : {"", "above", "below"}
        ``"above"``: the true value is above `value` by an unknown amount (an overload; an armature that had not arrived
        when the pulse ended). ``"below"`` likewise.
    why_not : str
        Why it was not measured.
    parts : tuple of (str, float)
        The uncertainty budget: what contributes, and its contribution to `u`, in `unit`, largest first.

    Notes
    -----
    A value or an uncertainty that is not finite makes it one that was not measured: no such number is handed on.
    """

    name: str
    value: float | None
    u: float | None
    unit: str
    how: str
    bound: Bound = ""
    why_not: str = ""
    parts: tuple[tuple[str, float], ...] = ()

    def __post_init__(self) -> None:
        """Take numbers of NumPy as plain ones; see Notes for those that are not finite."""
        value, u = (None if number is None else float(number) for number in (self.value, self.u))
        if not all(number is None or math.isfinite(number) for number in (value, u)):
            value, u = None, None
        if value is None and not self.why_not:
            object.__setattr__(self, "why_not", NOT_FINITE)
        object.__setattr__(self, "value", value)
        object.__setattr__(self, "u", u)


@dataclass(frozen=True)
class Curve:
    """A line drawn over a trace: a fit, or a limit that varies with time. `time_s` and `values` have shape (n,)."""

    label: str
    time_s: Samples
    values: Samples


@dataclass(frozen=True)
class Trace:
    """Samples as they came from the bench, in SI units, with what the analysis found in them.

    Attributes
    ----------
    name : str
        ``hold``, ``flow``, ``click 1`` and so on.
    time_s : ndarray, shape (n,)
        Sample times; zero is the instant that the step is about (isolated, state changed, coil switched on).
    columns : mapping of str to ndarray, shape (n,)
        ``current_a``, ``voltage_v``, ``pressure_pa`` (absolute).
    marks : mapping of str to float
        Found instants in seconds on the same axis: ``pull-in``, ``release``, ``opened``.
    curves : tuple of (str, Curve)
        Lines to draw over a column: column name, curve.
    """

    name: str
    time_s: Samples
    columns: Mapping[str, Samples]
    marks: Mapping[str, float] = field(default_factory=dict)
    curves: tuple[tuple[str, Curve], ...] = ()
