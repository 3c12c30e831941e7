"""What a hold says: the leak, what else the record shows, and in words what to do about it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from benchrig.analysis.results import Bound, Samples

__all__ = ["Explanation", "HoldResult"]

Explanation = Literal["", "leak", "wet", "slow_wall", "drift", "changing", "undecided"]


@dataclass(frozen=True)
class HoldResult:
    """The leak, at the state just after shutting off, with what else the curve says. None: not measured, see `notes`.

    Attributes
    ----------
    hold_leak_sccm, hold_leak_sccm_u : float or None
        Leak in cm3/min at 0 degC and 101.325 kPa, background subtracted, and its standard uncertainty. A slightly
        negative value is noise and is left as it is.
    pressure_rate_pa_s, pressure_rate_pa_s_u : float or None
        Rise that this leak alone makes in gas at ambient temperature, Pa/s.
    equivalent_orifice_mm, equivalent_orifice_mm_u : float or None
        Diameter of a sharp-edged hole (discharge coefficient 0.8) with the same leak; the uncertainty is None at zero.
    bound : {"", "above"}
        "above": the leak is larger than the value, too fast for this record to say by how much.
    thermal_time_constant_s, thermal_time_constant_s_u : float or None
        m c_v / G of the gas just after shutting off, s.
    chill_k, chill_k_u : float or None
        How much colder than the wall the gas was just after shutting off, K.
    start_pressure_pa : float
        Absolute pressure just after shutting off, to which the leak belongs.
    decided_after_s : float or None
        From how long a record on the leak was known to within 0.3 sccm or 3 % (two standard uncertainties of the fit),
        or told from the limit if one was given; None: not within this record.
    parts : tuple of (str, float)
        Contributions to the standard uncertainty, sccm, largest first.
    notes : tuple of str
    explanation : {"", "leak", "wet", "slow_wall", "drift", "changing", "undecided"}
        What the record shows. "leak": a steady leak beside the gas warming up again, and nothing else ("leak" also at
        zero leak). "wet": beside that a rise that saturates, as residual fuel vapour makes it. "slow_wall": a second,
        slower recovery of the wall. "drift": temperatures that drift, by the thermistor or because the leak comes out
        far below zero. "changing": no steady leak and none of these fits. "undecided": two of them fit and the value
        differs; the uncertainty spans both. Empty: there was nothing to explain (no vacuum).
    goodness : float or None
        Probability that noise alone departs from the fitted curve as far as this record does; the value is not
        measured below `benchrig.analysis.leak.goodness_of_fit.FALSE_ALARM`.
    vapour_pa, vapour_pa_u, vapour_time_constant_s, vapour_time_constant_s_u : float or None
        Pressure that the saturating rise ends at, Pa, and its time constant, s, where one was found ("wet",
        "slow_wall").
    vapour_probability : float
        Probability of such a rise, 0 to 1.
    drift_k_s : float
        Drift of the wall's temperature that was allowed for, K/s: half of what the thermistor showed of the room.
    fit_time_s, fit_pressure_pa : ndarray, shape (n,)
        The fitted curve.
    """

    hold_leak_sccm: float | None = None
    hold_leak_sccm_u: float | None = None
    pressure_rate_pa_s: float | None = None
    pressure_rate_pa_s_u: float | None = None
    equivalent_orifice_mm: float | None = None
    equivalent_orifice_mm_u: float | None = None
    bound: Bound = ""
    thermal_time_constant_s: float | None = None
    thermal_time_constant_s_u: float | None = None
    chill_k: float | None = None
    chill_k_u: float | None = None
    start_pressure_pa: float = math.nan
    decided_after_s: float | None = None
    parts: tuple[tuple[str, float], ...] = ()
    notes: tuple[str, ...] = ()
    widening: float = 1.0
    """How many times the residuals of the fit exceed the noise; 1 where the model describes the record."""
    explanation: Explanation = ""
    goodness: float | None = None
    vapour_pa: float | None = None
    vapour_pa_u: float | None = None
    vapour_time_constant_s: float | None = None
    vapour_time_constant_s_u: float | None = None
    vapour_probability: float = 0.0
    drift_k_s: float = 0.0
    fit_time_s: Samples = field(default_factory=lambda: np.empty(0))
    fit_pressure_pa: Samples = field(default_factory=lambda: np.empty(0))

    @property
    def thermal_time_constant_u_s(self) -> float | None:
        """The same as `thermal_time_constant_s_u`, under the name of the argument that takes it."""
        return self.thermal_time_constant_s_u
