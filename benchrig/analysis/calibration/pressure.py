"""Zero of the absolute transducer from the barometer, and what recoveries and leaks of the closed bench repeat to."""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchrig.analysis.statistics.uncertainty_budget import Budget, Quantity, combine, coverage_factor, scatter

__all__ = ["mean_of_repeats", "transducer_offset_v", "transducer_scale_v_per_pa"]

LEAST_APART_PA = 30_000.0
"""Two pressures that lie closer together tell the zero better than the scale."""


def transducer_offset_v(pin_v: Quantity, barometer_pa: Quantity, *, volts_per_pa: float, scale_u_rel: float) -> Budget:
    """Volts at 0 Pa, from the reading in open air and a barometer.

    One pressure gives one constant: the scale is taken as it is, and its uncertainty goes into the budget, because at
    low pressure the error it makes in air is no longer there.

    Raises
    ------
    ValueError
        A barometer or a scale that is not above zero.

    Examples
    --------
    >>> found = transducer_offset_v(
    ...     Quantity("reading in open air", 2.73325, 1e-5), Quantity("barometer", 101_325.0, 15.0),
    ...     volts_per_pa=25e-6, scale_u_rel=1e-4,
    ... )
    >>> round(found.value, 6), round(found.u / 25e-6, 1)
    (0.200125, 18.1)
    """
    if not (barometer_pa.value > 0 and volts_per_pa > 0):
        raise ValueError(f"barometer {barometer_pa.value!r} Pa, scale {volts_per_pa!r} V/Pa: both must be above zero")
    scale = Quantity("scale of the transducer", volts_per_pa, volts_per_pa * scale_u_rel)
    return combine(lambda pin, air, per_pa: pin - air * per_pa, (pin_v, barometer_pa, scale))


def transducer_scale_v_per_pa(
    air_v: Quantity, air_pa: Quantity, low_v: Quantity, low_pa: Quantity
) -> tuple[Budget, Budget]:
    """Volts per pascal, and volts at 0 Pa, from open air and one lower pressure that a reference gauge shows.

    Parameters
    ----------
    air_v, air_pa : Quantity
        Reading in open air, V, and the barometer's, Pa.
    low_v, low_pa : Quantity
        The same at the lower pressure, by the reference gauge.

    Returns
    -------
    Budget, Budget
        Scale in V/Pa, and zero in V.

    Raises
    ------
    ValueError
        The two pressures lie so close together that they say nothing of the scale, or the volts do not follow them.

    Examples
    --------
    >>> scale, zero = transducer_scale_v_per_pa(
    ...     Quantity("air", 2.733125, 1e-5), Quantity("barometer", 101_325.0, 10.0),
    ...     Quantity("low", 1.2, 1e-5), Quantity("gauge", 40_000.0, 20.0),
    ... )
    >>> round(scale.value * 1e6, 3), round(100 * scale.u / scale.value, 3), round(zero.value, 3)
    (25.0, 0.036, 0.2)
    """
    apart_pa = air_pa.value - low_pa.value
    if apart_pa < LEAST_APART_PA:
        raise ValueError(
            f"barometer and gauge read {air_pa.value:.0f} and {low_pa.value:.0f} Pa: at least {LEAST_APART_PA:.0f} Pa "
            "must lie between"
        )
    if not air_v.value > low_v.value:
        raise ValueError(f"the transducer gives {air_v.value:.4f} V in open air and {low_v.value:.4f} V in the vacuum")
    inputs = (air_v, air_pa, low_v, low_pa)
    scale = combine(lambda v1, p1, v2, p2: (v1 - v2) / (p1 - p2), inputs)
    return scale, combine(lambda v1, p1, v2, p2: v2 - p2 * (v1 - v2) / (p1 - p2), inputs)


def mean_of_repeats(name: str, values: Sequence[float], u_each: Sequence[float]) -> Budget:
    """One constant from several measurements of it, each with its own uncertainty.

    The mean. What the measurements share (a reference, a model) does not average out, so their own uncertainties are
    taken as wholly common; their scatter is not, and is divided by the root of their number and widened by Student's t.

    Parameters
    ----------
    name : str
        What it is, for the budget.
    values, u_each : sequence of float, length n
        Values and standard uncertainties, n at least 1.

    Raises
    ------
    ValueError
        No values, or not one uncertainty each.

    Examples
    --------
    >>> found = mean_of_repeats("time constant", [2.08, 2.12, 2.10], [0.03, 0.03, 0.03])
    >>> round(found.value, 3), round(found.u, 3)
    (2.1, 0.04)
    """
    if not values or len(values) != len(u_each):
        raise ValueError(f"{len(values)} values with {len(u_each)} uncertainties")
    mean, spread_u, dof = scatter(values)
    widened = spread_u * coverage_factor(0.9545, dof) / 2.0 if spread_u else 0.0
    common = math.fsum(u_each) / len(u_each)
    return combine(
        lambda value, each: value + each,
        (Quantity(f"scatter of the {name}", mean, widened), Quantity(name, 0.0, common)),
    )
