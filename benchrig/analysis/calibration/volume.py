"""Volume of the reservoir with its manifold: from a known volume let in, or from a known flow let in.

By a known volume: two vessels at one temperature are joined, and the amount of gas stays the same (Boyle's law)::

    p1 V + pk Vk = p2 (V + Vk)    so    V = Vk (pk - p2) / (p2 - p1)

By a known flow: a choked orifice lets in a constant mass flow, and the pressure of the warm gas rises in proportion to
it. The rise without the orifice (the bench's own leak) is taken off::

    V = q / (rise with - rise without)    with q the flow in Pa m3/s of gas at the ambient's temperature

A choked flow is in proportion to the upstream pressure and to one over the root of the upstream temperature (ISO
6358-1, choked flow), so the certificate's flow is taken to today's air by both.
"""

from __future__ import annotations

from typing import Any

from benchrig.analysis.gas.air import CRITICAL_RATIO_NOZZLE, pv_flow_pa_m3_s_from_sccm
from benchrig.analysis.statistics.uncertainty_budget import Budget, Quantity, combine

__all__ = ["choked_sccm", "volume_by_expansion", "volume_by_flow"]

LEAST_STEP_PA = 5_000.0
"""A known volume that moves the pressure by less says too little."""


def volume_by_expansion(
    before_pa: Quantity,
    after_pa: Quantity,
    let_in_pa: Quantity,
    known_l: Quantity,
    unlike_k: Quantity,
    ambient_k: float,
) -> Budget:
    """Volume in litres from a vessel of known volume that was joined to the evacuated reservoir.

    Parameters
    ----------
    before_pa, after_pa : Quantity
        Absolute pressure in the reservoir, at rest, before and after the tap was opened.
    let_in_pa : Quantity
        Absolute pressure in the vessel before that, most often the ambient's.
    known_l : Quantity
        Volume of the vessel, litres.
    unlike_k : Quantity
        By how much the vessel was warmer than the gas at the end, kelvin; mostly 0 with an uncertainty.
    ambient_k : float
        Temperature of all, kelvin.

    Raises
    ------
    ValueError
        A volume or temperature that is not above zero, or a step of pressure too small to say anything.

    Examples
    --------
    0.25 L of ambient air, let into 41.325 kPa, gave 61.325 kPa: 0.25 * 40 / 20.

    >>> found = volume_by_expansion(
    ...     Quantity("before", 41_325.0, 10.0), Quantity("after", 61_325.0, 10.0), Quantity("let in", 101_325.0, 10.0),
    ...     Quantity("known volume", 0.25, 0.0005), Quantity("temperature", 0.0, 0.0), 295.15,
    ... )
    >>> round(found.value, 6), round(found.u, 5)
    (0.5, 0.0011)
    """
    if not (known_l.value > 0 and ambient_k > 0):
        raise ValueError(f"known volume {known_l.value!r} L at {ambient_k!r} K: both must be above zero")
    if after_pa.value - before_pa.value < LEAST_STEP_PA or let_in_pa.value - after_pa.value < LEAST_STEP_PA:
        raise ValueError(
            f"the pressure went from {before_pa.value:.0f} to {after_pa.value:.0f} Pa with {let_in_pa.value:.0f} Pa "
            f"let in: each step must be over {LEAST_STEP_PA:.0f} Pa"
        )

    def volume(before: Any, after: Any, let_in: Any, known: Any, unlike: Any) -> Any:
        return known * (let_in * (1 - unlike / ambient_k) - after) / (after - before)

    return combine(volume, (before_pa, after_pa, let_in_pa, known_l, unlike_k))


def choked_sccm(certified_sccm: float, *, from_pa: float, at_k: float, ambient_pa: float, ambient_k: float) -> float:
    """Flow of a choked orifice today, from its certificate.

    Examples
    --------
    >>> round(choked_sccm(60.0, from_pa=101_325.0, at_k=293.15, ambient_pa=98_000.0, ambient_k=298.15), 3)
    57.542
    """
    part: float = ambient_pa / from_pa * (at_k / ambient_k) ** 0.5
    return certified_sccm * part


def volume_by_flow(
    with_pa_s: Quantity, without_pa_s: Quantity, flow_sccm: Quantity, ambient_k: Quantity, highest_ratio: float
) -> Budget:
    """Volume in litres from the rise of pressure that a known choked flow makes.

    Parameters
    ----------
    with_pa_s, without_pa_s : Quantity
        Rise of the pressure in gas at ambient temperature, with the orifice and with a blind plug in its place, Pa/s.
    flow_sccm : Quantity
        What the orifice lets in today, cm3/min at 0 degC and 101.325 kPa (`choked_sccm`).
    ambient_k : Quantity
        Ambient temperature, kelvin.
    highest_ratio : float
        Highest pressure in the reservoir over the ambient's while it was measured.

    Raises
    ------
    ValueError
        No flow, no rise, or an orifice that was not choked all the time.

    Examples
    --------
    60 sccm at 295.15 K are 0.109489 Pa m3/s; in half a litre, 218.98 Pa/s.

    >>> found = volume_by_flow(
    ...     Quantity("rise with", 219.53, 0.2), Quantity("rise without", 0.55, 0.05), Quantity("orifice", 60.0, 0.15),
    ...     Quantity("ambient temperature", 295.15, 0.3), 0.45,
    ... )
    >>> round(found.value, 4), round(found.u, 4)
    (0.5, 0.0014)
    """
    if not flow_sccm.value > 0:
        raise ValueError(f"reference flow of {flow_sccm.value!r} sccm: it must be above zero")
    if not with_pa_s.value > without_pa_s.value:
        raise ValueError(
            f"the pressure rose by {with_pa_s.value:.3g} Pa/s with the orifice, {without_pa_s.value:.3g} without"
        )
    if highest_ratio > CRITICAL_RATIO_NOZZLE:
        raise ValueError(
            f"the pressure came up to {highest_ratio:.2f} of the ambient's: above {CRITICAL_RATIO_NOZZLE:.2f} an "
            "orifice is no longer choked"
        )

    def volume(rise: Any, own: Any, flow: Any, kelvin: Any) -> Any:
        return 1e3 * flow * pv_flow_pa_m3_s_from_sccm(1.0, 1.0) * kelvin / (rise - own)

    return combine(volume, (with_pa_s, without_pa_s, flow_sccm, ambient_k))
