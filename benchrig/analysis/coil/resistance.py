"""Coil resistance, corrected to 20 degC, and the cross-check of the coil under load.

Copper: alpha_20 = 0.00393 1/K at 100 % IACS (IEC 60028), so ``R20 = R / (1 + alpha (T - 20))``. A coil temperature that
is wrong by 1 K moves R20 by 0.39 %, which is far more than any bench multimeter does: the temperature is the budget.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from benchrig.analysis.results import Characteristic
from benchrig.analysis.statistics.uncertainty_budget import Quantity, combine, coverage_factor, rectangular, scatter

__all__ = [
    "ALPHA_COPPER_PER_K",
    "ALPHA_HALF_WIDTH",
    "CrossCheck",
    "coil_resistance_20c",
    "copper_ratio",
    "steady_current_cross_check",
]

ALPHA_COPPER_PER_K = 0.00393
ALPHA_HALF_WIDTH = 0.01
"""Relative half-width of alpha for winding wire, rectangular: engineering judgement. Thin tinned wire: 7 % low."""
NAME, UNIT = "coil_resistance_20c_ohm", "ohm"


def copper_ratio(coil_c: float) -> float:
    """Resistance of copper at a temperature in degC, relative to that at 20 degC.

    Examples
    --------
    >>> round(copper_ratio(100.0), 4), copper_ratio(20.0)
    (1.3144, 1.0)
    """
    return 1.0 + ALPHA_COPPER_PER_K * (coil_c - 20.0)


def coil_resistance_20c(
    readings_ohm: Sequence[float],
    *,
    wires: int,
    lead_ohm: float = 0.0,
    lead_u_ohm: float = 0.0,
    accuracy_rel: float,
    accuracy_ohm: float,
    range_ohm: float,
    coil_c: float,
    coil_u_k: float,
) -> Characteristic:
    """Coil resistance at 20 degC from the meter's readings of a cold coil.

    Parameters
    ----------
    readings_ohm : sequence of float, length n
        One reading each, infinite for an overload.
    wires : {2, 4}
        How the meter is joined to the coil.
    lead_ohm, lead_u_ohm : float
        What lies in series with the coil inside the reading, and its standard uncertainty: both leads with two wires,
        only the plug's contacts with four. It is subtracted.
    accuracy_rel, accuracy_ohm : float
        The meter's specification on this range: half-width ``accuracy_rel * reading + accuracy_ohm``, rectangular.
    range_ohm : float
        Upper end of the meter's range; an overload says that the resistance is above it.
    coil_c, coil_u_k : float
        Coil temperature in degC and its standard uncertainty in kelvin.

    Returns
    -------
    Characteristic
        ``coil_resistance_20c_ohm`` with its budget. All readings overloaded: `bound` is ``"above"`` the end of the
        range, taken to 20 degC like any reading. Some overloaded: not measured, and `why_not` begins with
        ``intermittent``. The scatter of the readings is in the budget, so a coil that wanders is known less well.

    Raises
    ------
    ValueError
        No readings, a NaN or a negative infinity among them, or a constant that makes no sense.

    Notes
    -----
    Budget by JCGM 100, equation 10. Alpha has a rectangular half-width of 1 %. All that follows takes 2 u for a 95 %
    interval, which a few scattered readings do not bear out: the part of the scatter is widened by Student's t so that
    it does (2.27 times with three readings).

    Examples
    --------
    >>> found = coil_resistance_20c(
    ...     [26.0], wires=4, accuracy_rel=0.0002, accuracy_ohm=0.004, range_ohm=100.0, coil_c=23.0, coil_u_k=1 / 3**0.5
    ... )
    >>> round(found.value, 4), round(found.u, 5)
    (25.697, 0.05789)
    >>> [(name, round(part, 5)) for name, part in found.parts]
    [('coil temperature', 0.05763), ('meter', 0.00525), ('temperature coefficient of copper', 0.00173)]
    """
    _check(readings_ohm, wires, range_ohm, coil_c)
    contacts = "leads" if wires == 2 else "plug contacts"
    sound = [reading for reading in readings_ohm if math.isfinite(reading)]
    n = len(readings_ohm)
    if not sound:
        least_ohm = (range_ohm - lead_ohm) / copper_ratio(coil_c)
        how = f"overload on the {range_ohm:g} ohm range in {n} of {n} readings: no path through the coil"
        return Characteristic(NAME, least_ohm, None, UNIT, how=how, bound="above")
    if len(sound) < n:
        return Characteristic(NAME, None, None, UNIT, how="", why_not=_intermittent(sound, n, range_ohm))
    mean_ohm, scatter_u, scatter_dof = scatter(sound)
    widened = coverage_factor(0.9545, scatter_dof) / 2.0
    meter_u = rectangular(accuracy_rel * abs(mean_ohm) + accuracy_ohm)
    budget = combine(
        lambda meter, wander, leads, temperature, alpha: (meter + wander - leads) / (1 + alpha * (temperature - 20.0)),
        (
            Quantity("meter", mean_ohm, meter_u),
            Quantity("scatter of the readings", 0.0, widened * scatter_u),
            Quantity(contacts, lead_ohm, lead_u_ohm),
            Quantity("coil temperature", coil_c, coil_u_k),
            Quantity(
                "temperature coefficient of copper",
                ALPHA_COPPER_PER_K,
                rectangular(ALPHA_HALF_WIDTH * ALPHA_COPPER_PER_K),
            ),
        ),
    )
    how = f"mean of {n} {wires}-wire readings" if n > 1 else f"one {wires}-wire reading"
    how += f" at {coil_c:.1f} °C, taken to 20 °C"
    if lead_ohm:
        how += f", {lead_ohm:g} ohm of {contacts} taken off"
    return Characteristic(NAME, budget.value, budget.u, UNIT, how=how, parts=budget.parts)


def _check(readings_ohm: Sequence[float], wires: int, range_ohm: float, coil_c: float) -> None:
    if not readings_ohm:
        raise ValueError("no readings of the coil")
    if any(math.isnan(reading) or reading == -math.inf for reading in readings_ohm):
        raise ValueError(f"readings of the coil must be numbers, or infinite for an overload: {list(readings_ohm)}")
    if wires not in (2, 4):
        raise ValueError(f"{wires!r} wires: a meter measures resistance with 2 or with 4")
    if not (range_ohm > 0.0 and math.isfinite(coil_c) and copper_ratio(coil_c) > 0.0):
        raise ValueError(f"range {range_ohm!r} ohm, coil at {coil_c!r} degC")


def _intermittent(sound: Sequence[float], n: int, range_ohm: float) -> str:
    low, high = min(sound), max(sound)
    seen = f"{low:.2f} ohm" if len(sound) == 1 else f"{low:.2f} to {high:.2f} ohm"
    return (
        f"intermittent: {n - len(sound)} of {n} readings found no path (above {range_ohm:g} ohm), the others {seen}; "
        "reseat the plug and measure again"
    )


@dataclass(frozen=True)
class CrossCheck:
    """The coil under load against the cold coil.

    Attributes
    ----------
    outcome : {"agrees", "higher under load", "lower under load"}
        Higher: a joint that fails only under load. Lower: turns that short only when hot or stressed.
    under_load_ohm, under_load_u_ohm : float
        Voltage over current, less what lies in series, at whatever temperature the coil then had.
    expected_ohm, expected_u_ohm : float
        From the cold resistance, at the temperature that the coil should then have.
    excess_ohm : float
        Under load less expected.
    tolerance_ohm : float
        Twice the standard uncertainty of the excess: what the excess may be by chance and by heating.
    ratio, ratio_u : float
        Under load over expected, with its standard uncertainty: the feature that the likely cause looks at.
    why : str
        In plain words.
    """

    outcome: Literal["agrees", "higher under load", "lower under load"]
    under_load_ohm: float
    under_load_u_ohm: float
    expected_ohm: float
    expected_u_ohm: float
    excess_ohm: float
    tolerance_ohm: float
    ratio: float
    ratio_u: float
    why: str


def steady_current_cross_check(
    cold: Characteristic,
    *,
    voltage_v: float,
    voltage_u_v: float,
    current_a: float,
    current_u_a: float,
    coil_c: float,
    coil_u_k: float,
    heating_k: float = 0.0,
    series_ohm: float = 0.0,
    series_u_ohm: float = 0.0,
) -> CrossCheck | None:
    """Compare the resistance of the coil under load with its cold resistance.

    Parameters
    ----------
    cold : Characteristic
        From `coil_resistance_20c`.
    voltage_v, voltage_u_v : float
        Voltage where it is measured, at the end of the pulse, and its standard uncertainty.
    current_a, current_u_a : float
        Coil current at the same moment, in amperes.
    coil_c, coil_u_k : float
        Temperature of the coil when it was measured cold, in degC, and its standard uncertainty.
    heating_k : float
        The most by which the coil may have warmed since: the warming is taken as anywhere from 0 to this.
    series_ohm, series_u_ohm : float
        Shunt, switch and wiring between where the voltage is measured and the coil.

    Returns
    -------
    CrossCheck or None
        None when there is nothing to compare: the cold resistance was not measured or is only a bound, or there is no
        current to speak of (less than three of its standard uncertainties).

    Raises
    ------
    ValueError
        A negative heating.

    Notes
    -----
    The expected value starts from the resistance of the cold coil *at its own temperature*, so a wrong temperature
    matters only through the warming. The temperature's part in the budget of `cold` is left out for that reason.

    Examples
    --------
    >>> cold = Characteristic("coil_resistance_20c_ohm", 24.5, 0.06, "ohm", how="", parts=(("meter", 0.006),))
    >>> check = steady_current_cross_check(
    ...     cold, voltage_v=13.4, voltage_u_v=0.03, current_a=0.45, current_u_a=0.001, coil_c=22.0, coil_u_k=1.0
    ... )
    >>> check.outcome, round(check.excess_ohm, 1)
    ('higher under load', 5.1)
    """
    if heating_k < 0.0:
        raise ValueError(f"heating {heating_k!r} K is negative")
    if cold.value is None or cold.u is None or cold.bound or current_a <= max(3.0 * current_u_a, 0.0):
        return None
    own_u_ohm = _without_temperature(cold)
    load = combine(
        lambda volts, amps, series: volts / amps - series,
        (
            Quantity("voltage", voltage_v, voltage_u_v),
            Quantity("current", current_a, current_u_a),
            Quantity("series", series_ohm, series_u_ohm),
        ),
    )
    expected = combine(
        lambda now, temperature, warming, alpha: (
            now * (1 + alpha * (temperature + warming - 20.0)) / (1 + alpha * (temperature - 20.0))
        ),
        (
            Quantity("cold resistance", cold.value * copper_ratio(coil_c), own_u_ohm * copper_ratio(coil_c)),
            Quantity("coil temperature", coil_c, coil_u_k),
            Quantity("warming", heating_k / 2.0, rectangular(heating_k / 2.0)),
            Quantity("alpha", ALPHA_COPPER_PER_K, rectangular(ALPHA_HALF_WIDTH * ALPHA_COPPER_PER_K)),
        ),
    )
    excess_ohm = load.value - expected.value
    tolerance_ohm = 2.0 * math.hypot(load.u, expected.u)
    ratio = load.value / expected.value
    outcome: Literal["agrees", "higher under load", "lower under load"]
    if abs(excess_ohm) <= tolerance_ohm:
        outcome = "agrees"
    else:
        outcome = "higher under load" if excess_ohm > 0 else "lower under load"
    said = {
        "agrees": "within the tolerance",
        "higher under load": "more than the tolerance: look for a joint that fails under load",
        "lower under load": "less by more than the tolerance: turns may short under load",
    }[outcome]
    why = (
        f"{load.value:.2f} ohm under load against {expected.value:.2f} ohm expected from the cold coil: "
        f"{excess_ohm:+.2f} ohm, tolerance {tolerance_ohm:.2f} ohm, {said}"
    )
    return CrossCheck(
        outcome,
        load.value,
        load.u,
        expected.value,
        expected.u,
        excess_ohm,
        tolerance_ohm,
        ratio,
        tolerance_ohm / 2.0 / abs(expected.value),
        why,
    )


def _without_temperature(cold: Characteristic) -> float:
    kept = [part for name, part in cold.parts if name not in ("coil temperature", "temperature coefficient of copper")]
    # Without a budget the whole uncertainty has to stand for it.
    return math.hypot(*kept) if cold.parts else float(cold.u or 0.0)
