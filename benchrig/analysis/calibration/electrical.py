"""Coil current scale and meter leads from references. Ohm's law, and JCGM 100 for the budgets."""

from __future__ import annotations

from collections.abc import Sequence

from benchrig.analysis.statistics.uncertainty_budget import (
    Budget,
    Quantity,
    combine,
    coverage_factor,
    rectangular,
    scatter,
)

__all__ = ["current_scale_v_per_a", "lead_resistance_ohm", "mean_of"]

SHORT_OHM = 0.001
"""What a short circuit at the plug has itself, at most: engineering judgement."""


def mean_of(name: str, readings: Sequence[float]) -> Quantity:
    """The mean of some readings; its uncertainty widened by Student's t, so that twice it covers 95 % (JCGM 100, G.3).

    Examples
    --------
    >>> found = mean_of("scatter", [5.007, 4.994, 5.005, 4.990, 4.999])
    >>> round(found.value, 4), round(found.u, 4)
    (4.999, 0.0046)
    """
    mean, u, dof = scatter(readings)
    return Quantity(name, mean, u * coverage_factor(0.9545, dof) / 2.0)


def current_scale_v_per_a(on_v: Quantity, off_v: Quantity, across_v: Quantity, resistor_ohm: Quantity) -> Budget:
    """Volts at the board per ampere in the coil's loop, from a known resistor in the coil's place.

    Parameters
    ----------
    on_v, off_v : Quantity
        Volts at the board's pin with the coil supply on, and off.
    across_v : Quantity
        Voltage across the resistor meanwhile, by a reference voltmeter.
    resistor_ohm : Quantity
        The resistor.

    Raises
    ------
    ValueError
        A resistor or voltage that is not above zero, or no current.

    Examples
    --------
    >>> found = current_scale_v_per_a(
    ...     Quantity("pin, on", 1.062, 0.0002), Quantity("pin, off", 0.0004, 0.0002),
    ...     Quantity("voltmeter", 13.27, 0.006), Quantity("resistor", 25.0, 0.005),
    ... )
    >>> round(found.value, 5), round(found.u, 5)
    (2.0, 0.00112)
    """
    if not (resistor_ohm.value > 0 and across_v.value > 0):
        raise ValueError(f"{across_v.value!r} V across {resistor_ohm.value!r} ohm: both must be above zero")
    if not on_v.value > off_v.value:
        raise ValueError(f"no current: {on_v.value:.4f} V at the pin with the supply on, {off_v.value:.4f} V off")
    return combine(lambda on, off, across, ohm: (on - off) * ohm / across, (on_v, off_v, across_v, resistor_ohm))


def lead_resistance_ohm(readings_ohm: Sequence[float], *, accuracy_ohm: float) -> Budget:
    """What the meter reads with a short circuit at the plug: leads and contacts, and its own zero.

    Parameters
    ----------
    readings_ohm : sequence of float, length n
        Readings with the short in place, finite.
    accuracy_ohm : float
        The meter's specification at zero: half-width, rectangular.

    Examples
    --------
    >>> found = lead_resistance_ohm([0.1812, 0.1815, 0.1811], accuracy_ohm=0.004)
    >>> round(found.value, 4), round(found.u, 4)
    (0.1813, 0.0024)
    """
    return combine(
        lambda read, meter, short: read + meter - short,
        (
            mean_of("scatter of the readings", readings_ohm),
            Quantity("meter at zero", 0.0, rectangular(accuracy_ohm)),
            Quantity("the short itself", 0.0, rectangular(SHORT_OHM)),
        ),
    )
