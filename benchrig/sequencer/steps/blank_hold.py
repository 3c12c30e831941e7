"""The hold without the valve as a template: what the bench's wall does shows in both holds, the valve's leak in one.

A wall that comes back slowly (a liner, a coating) and a room that drifts raise the pressure like a leak. Held once
more with the blind plug in the valve's place, after a wait as long as the wall needs to come to rest, the same bench
does the same again. The difference of the two records is the valve's leak, and nothing of the bench's own.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from benchrig.analysis.gas.air import sccm_from_pv_flow
from benchrig.analysis.leak.hold_vacuum import HoldResult, analyse_hold
from benchrig.analysis.leak.room_drift import drift_allowed_for
from benchrig.analysis.results import Characteristic
from benchrig.bench.bench import Recording
from benchrig.sequencer.context import Context

__all__ = ["REST_S", "leak_beside_blank", "put_in_place", "say_why_hidden"]

REST_S = 180.0
"""Reservoir and wall stand this long before the hold without the valve, as before the one with it: three time constants
of the slowest liner that was seen (60 s)."""
ALIKE = 0.03
"""Two holds on one bench, one pumped down against a leak, differ by this part of what the wall does (judgement: in 30
simulated runs with liners and drifting rooms the difference read the leak right to 1 to 3 % of it)."""
CHILL_U_K = 0.3
"""By so much the gas of two holds differs in how cold it is at first, standard uncertainty (judgement): without it fast
vapour passed for gas that warms up."""
LEAST_S = 5.0
NAME = "hold_leak_sccm"
WALL, ROOM = "the bench's wall in two holds", "the room in two holds"


def leak_beside_blank(run: Context, blank: Recording, found: HoldResult) -> tuple[Characteristic, float] | None:
    """The valve's leak from the hold with it less the hold without it; None where the difference does not tell it.

    With it the probability that the difference holds a rise that levels off as well.

    Parameters
    ----------
    blank : Recording
        The hold without the valve.
    found : HoldResult
        What it shows by itself.
    """
    held = run.held
    if held is None:
        return None
    until_s = min(float(held.time_s[-1]), float(blank.time_s[-1]))
    if until_s < LEAST_S:
        return None
    both = held.time_s <= until_s
    time_s = held.time_s[both]
    blank_pa = np.interp(time_s, blank.time_s, blank.columns["pressure_pa"])
    shut = np.flatnonzero(time_s >= 0)[:20]
    # both were equally cold: the difference has no chill, no own leak of the bench, and nothing of the room that it had
    # not itself: how fast it drifted is taken off already, by the second hold
    of_both = dict.fromkeys(("ambient_drift_k_s", "ambient_drift_u_k_s")) | {"chill_k": 0.0, "chill_u_k": CHILL_U_K}
    told = {**held.told, "background_sccm": 0.0, "background_u_sccm": 0.0} | of_both
    result = analyse_hold(time_s, held.pressure_pa[both] - blank_pa + float(blank_pa[shut].mean()), **told)
    if result.hold_leak_sccm is None or result.hold_leak_sccm_u is None or result.explanation == "wet":
        return None
    slow_pa_s = abs(found.vapour_pa or 0.0) / max(found.vapour_time_constant_s or until_s, 1.0)
    wall_sccm = ALIKE * sccm_from_pv_flow(run.bench.file.reservoir.volume_m3 * slow_pa_s, run.ambient_k)
    _, drift_u_k_s = drift_allowed_for(held.told.get("ambient_drift_k_s"), held.told.get("ambient_drift_u_k_s"))
    drift_pa_s = result.start_pressure_pa * drift_u_k_s / run.ambient_k
    room_sccm = sccm_from_pv_flow(run.bench.file.reservoir.volume_m3 * drift_pa_s, run.ambient_k)
    parts = tuple(sorted((*result.parts, (WALL, wall_sccm), (ROOM, room_sccm)), key=lambda part: -part[1]))
    leak = Characteristic(
        NAME,
        result.hold_leak_sccm,
        math.hypot(result.hold_leak_sccm_u, wall_sccm, room_sccm),
        "sccm",
        how=f"rise of pressure over {until_s:.0f} s, less that of the bench without the valve",
        parts=parts,
    )
    return leak, result.vapour_probability


def put_in_place(run: Context, leak: Characteristic) -> None:
    """Let what the control found of the leak take the place of what the hold found."""
    run.found = [leak if each.name == NAME else each for each in run.found]


def say_why_hidden(run: Context, why: str) -> None:
    """Of a leak that could not be measured, say what the control found to hide it."""
    run.found = [replace(each, why_not=why) if each.name == NAME and each.value is None else each for each in run.found]
