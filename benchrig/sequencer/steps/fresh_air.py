"""A second look for fuel vapour, in fresh air: where a hold shows a leak that may be vapour's.

Vapour that had filled the manifold before the run began does not rise at rest, and in a hold it begins like a leak; it
bends after half a minute only. But when the pump draws fresh air in by the open vent, through the reservoir, the
vapour leaves, and what evaporates anew shows at the pressure of the room, where a leak lets nothing in. The stream also
stirs the gas, which the vent had warmed by 40 K, so that it comes to the walls' temperature within seconds; left alone
that would take most of a minute.

On a bench whose reservoir hangs on the manifold like a branch the stream passes it by: the gas in it stays warm, its
pressure falls, and nothing is concluded.
"""

from __future__ import annotations

from benchrig.bench.wiring import AT_REST, SWEEPING
from benchrig.sequencer.context import Context
from benchrig.sequencer.steps.vapour import RestRise, Room, look_at_rest

__all__ = ["rise_in_fresh_air", "tells_of_no_vapour"]

VENTED_S = 0.3
"""The vent takes so long to let the air in."""
LEAST_SWEEP_S, SWEEP_PART = 4.0, 1.1
"""Fresh air is drawn for so long, and for this part of what the pump-down took at the least: by then two thirds of the
gas are fresh, and what is left of its warmth lets the pressure fall by 6 Pa/s (simulated)."""
SMALL_PA_S = 15.0
AGAIN_S, MOST_LOOKS = 1.0, 4
LOOK_S = 1.0
"""For a leak of less than `SMALL_PA_S` the look is twice as long, after a second more of fresh air."""
CLEAR_PART, FALL_PART = 0.4, 0.6
"""Vapour that made all of what looks like a leak would evaporate into fresh air at least as fast as into the vacuum,
whose gas had kept two fifths of it. A rise by less than the first part of the leak's, and a fall by less than the
second, which gas that is still warm may make, are none of it."""


def rise_in_fresh_air(run: Context, leak_pa_s: float, pumped_s: float) -> RestRise | None:
    """Draw fresh air through, close the manifold, and see whether what looked like a leak of so many Pa/s goes on.

    Parameters
    ----------
    run : Context
    leak_pa_s : float
        Rise that the leak made in the hold.
    pumped_s : float
        How long the pump-down took.

    Returns
    -------
    RestRise or None
        Vapour, or none, for certain (`tells_of_no_vapour`); None where the gas did not come to rest.
    """
    bench = run.bench
    room = Room(bench)
    bench.switch(AT_REST)
    bench.wait(VENTED_S)
    seconds, look_s = max(LEAST_SWEEP_S, SWEEP_PART * pumped_s), LOOK_S
    if leak_pa_s < SMALL_PA_S:
        seconds, look_s = seconds + AGAIN_S, 2 * look_s
    report = run.watch("hold", seconds)
    for _ in range(MOST_LOOKS):
        bench.switch(SWEEPING)
        report("fresh air")
        bench.wait(seconds)
        rise = look_at_rest(run, look_s, fresh=True)
        if rise is not None and (rise.is_vapour(*room.drift_k_s()) or tells_of_no_vapour(rise, leak_pa_s)):
            return rise
        seconds = AGAIN_S
    return None


def tells_of_no_vapour(rise: RestRise, leak_pa_s: float) -> bool:
    """Whether a leak of so many Pa/s is none of vapour's, by what rose in fresh air."""
    leaked_pa, unsure_pa = leak_pa_s * rise.seconds, 2.0 * rise.u_pa
    return -FALL_PART * leaked_pa < rise.rise_pa - unsure_pa and rise.rise_pa + unsure_pa < CLEAR_PART * leaked_pa
