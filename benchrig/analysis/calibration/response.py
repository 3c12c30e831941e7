"""Time constant of the pressure transducer, from short fills so quick that its lag shows at their beginning and end."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from benchrig.analysis.calibration.pressure import mean_of_repeats
from benchrig.analysis.calibration.short_fill import short_fill
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.uncertainty_budget import Budget, Quantity, combine

__all__ = ["DEPARTS", "transducer_response_s"]

SHAPE_U_PART = 0.005
"""What a real vent's travel, and a transducer that is not quite of first order, do to it (engineering judgement)."""
DEPARTS = 3.0
"""A fill that departs from the model by so many times the noise tells nothing about the transducer."""


def transducer_response_s(fills: Sequence[tuple[Samples, Samples]], guess_s: float) -> tuple[Budget, float]:
    """Time constant of a first-order transducer, s.

    Parameters
    ----------
    fills : sequence of (ndarray, ndarray)
        Times, s, and pressures as shown, Pa, each of shape (n,), of at least two short fills through a large opening.
    guess_s : float
        Where to begin.

    Returns
    -------
    Budget
    float
        By how many times the worst fill departs from the model, in parts of the noise.

    Raises
    ------
    ValueError
        A record without a fill, or fewer than two.
    """
    if len(fills) < 2:
        raise ValueError(f"{len(fills)} fills; two at least are needed")
    found = [short_fill(time_s, pressure_pa, guess_s, find_response=True) for time_s, pressure_pa in fills]
    middle_s = median(each.response_s for each in found)
    for k, (time_s, pressure_pa) in enumerate(fills):  # one that ended in another valley is led back to the others
        again = short_fill(time_s, pressure_pa, middle_s, find_response=True)
        found[k] = min(found[k], again, key=lambda each: each.residual_pa)
    budget = mean_of_repeats("response", [each.response_s for each in found], [each.response_u_s for each in found])
    whole = combine(
        lambda value, shape: value + shape,
        (
            Quantity("the fills", budget.value, budget.u),
            Quantity("shape of opening and lag", 0.0, SHAPE_U_PART * budget.value),
        ),
    )
    return whole, max(each.residual_pa / each.noise_pa for each in found)
