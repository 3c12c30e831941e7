"""Fuel vapour: a look for it before the pump runs, and what the hold showed of it.

In a manifold that is closed at the pressure of the room a leak lets nothing in and no wall has been cooled. What rises
there is vapour, or something warms the gas. So this short look tells the vapour of a wet valve from a leak, and from a
wall that comes back slowly after a pump-down, which one hold alone often cannot.

Not seen: vapour that has filled the manifold already (a valve that was put on long before), and of a valve that does
not close.
"""

from __future__ import annotations

import math
import statistics
from dataclasses import replace

from benchrig.analysis.gas.air import sccm_from_pv_flow
from benchrig.analysis.leak.hold_vacuum import HoldResult
from benchrig.analysis.results import Characteristic
from benchrig.bench.bench import Bench
from benchrig.bench.wiring import closed_up
from benchrig.sequencer.context import Context
from benchrig.verdict.wet import NAMED_FROM, Vapour

__all__ = [
    "ROOM_READ_U_K",
    "RestRise",
    "Room",
    "beside_vapour",
    "learn_of_vapour",
    "look_at_rest",
    "rise_at_rest",
    "vapour_odds",
]

ROOM_READ_U_K = 0.02
"""What a reading of the room's temperature wanders by from one to the next, the converter's steps and draughts
included; standard uncertainty (common practice, no source)."""
SETTLED_S = 0.1
"""Vent and valve have closed so long after they were told to."""
READS, READ = 4, 50
LEAST_U_PA = 1.0
"""What a mean of `READS` times `READ` samples is off by at the least, standard uncertainty (engineering judgement)."""
QUICK_LOOK_S = 1.0
"""By then vapour that matters beside a limit of 5 sccm in half a litre, 17 Pa/s, has risen by three times what `SURE_U`
asks for."""
SURE_U = 4.0
FALLS_U = 8.0
"""A pressure that falls by so many standard uncertainties is no drift of the room: the gas was not at rest."""
DRIFT_U_K_S = 0.03 / 60
"""As in the hold: what gas may drift by when the room does not."""
RISES = 0.95
"""Probability of vapour where the look says so and the hold does not speak against it (engineering judgement)."""
SURELY_VAPOUR_KPA = 1.0
"""No wall makes so much within a hold: what pumping down can cool a liner by makes a few hundred pascals (estimate)."""


DRY_ODDS, FRESH_ODDS = 0.01, 1e-4
"""Vapour is so likely where none rose at rest: too slow to show within the look, or it had filled the manifold before;
and where none rose in fresh air either (engineering judgements)."""


class Room:
    """The room's temperature, read when made and once more later.

    Parameters
    ----------
    bench : Bench
        Its thermistor is read.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._from_s, self._from_k = bench.clock.now(), bench.ambient_k()

    def drift_k_s(self) -> tuple[float, float]:
        """How fast it changed meanwhile, K/s, with its standard uncertainty."""
        seconds = max(self._bench.clock.now() - self._from_s, 0.1)
        return (self._bench.ambient_k() - self._from_k) / seconds, math.sqrt(2.0) * ROOM_READ_U_K / seconds


class RestRise:
    """Rise of pressure in the closed manifold before the pump has run.

    Parameters
    ----------
    rise_pa, u_pa, seconds : float
        By how much it rose, the standard uncertainty of the readings, and within what time.
    ambient_pa, ambient_k : float
        Where it began.
    fresh : bool
        In fresh air, where vapour could not have been before.
    """

    def __init__(
        self, rise_pa: float, u_pa: float, seconds: float, ambient_pa: float, ambient_k: float, *, fresh: bool = False
    ) -> None:
        self.rise_pa, self.u_pa, self.seconds = rise_pa, u_pa, seconds
        self.ambient_k, self.fresh = ambient_k, fresh
        self._pa_per_k = ambient_pa / ambient_k

    def is_vapour(self, drift_k_s: float, drift_u_k_s: float) -> bool:
        """Whether more rose than noise and a room that drifts so fast explain.

        The gas follows the room by anything between nothing and all of it.
        """
        warmed_pa = self._pa_per_k * self.seconds * 0.5 * drift_k_s
        u_k_s = math.hypot(drift_k_s / math.sqrt(12.0), 0.5 * drift_u_k_s, DRIFT_U_K_S)
        u_pa = math.hypot(self.u_pa, self._pa_per_k * self.seconds * u_k_s)
        return self.rise_pa - warmed_pa > SURE_U * u_pa


def rise_at_rest(run: Context) -> RestRise | None:
    """Close the manifold around the closed valve and wait; None where the look tells nothing, or is not wanted."""
    bench = run.bench
    seconds = bench.file.sequence.vapour_look_s
    if not seconds:
        return None
    if not run.full:
        seconds = min(seconds, QUICK_LOOK_S)
    return look_at_rest(run, seconds)


def look_at_rest(run: Context, seconds: float, *, fresh: bool = False) -> RestRise | None:
    """How the pressure changes within so many seconds in the closed manifold; None where it falls, but in fresh air."""
    bench = run.bench
    report = run.watch("hold", seconds)
    bench.arrange(closed_up(coil=run.closed_when_energised))
    bench.wait(SETTLED_S)
    began_s, (began_pa, began_u_pa) = bench.clock.now(), _pressure_pa(bench)
    report("closed, is there vapour?")
    bench.wait(seconds)
    ended_pa, ended_u_pa = _pressure_pa(bench)
    u_pa = math.hypot(began_u_pa, ended_u_pa)
    if ended_pa - began_pa < -FALLS_U * u_pa and not fresh:
        return None  # what was let in lately is warm and still cools, which hides any vapour
    seconds = bench.clock.now() - began_s
    return RestRise(ended_pa - began_pa, u_pa, seconds, run.ambient_pa, run.ambient_k, fresh=fresh)


def vapour_odds(rest: RestRise | None, drift: tuple[float, float]) -> dict[str, float]:
    """Odds of vapour before the hold where a look at rest found none; else there is nothing to say.

    What rose at rest may be warmth as well: the hold is then looked at as without the look.
    """
    if rest is None or rest.is_vapour(*drift):
        return {}
    return {"vapour_odds": FRESH_ODDS if rest.fresh else DRY_ODDS}


def _pressure_pa(bench: Bench) -> tuple[float, float]:
    """Mean of some readings and its standard uncertainty."""
    means = [bench.pressure_pa(READ) for _ in range(READS)]
    return statistics.fmean(means), max(LEAST_U_PA, statistics.stdev(means) / math.sqrt(READS))


def learn_of_vapour(
    run: Context, result: HoldResult, rest: RestRise | None, drift: tuple[float, float], hold_s: float
) -> None:
    """Let the run know of vapour, and of what only a look without the valve can tell from it."""
    kpa = None if result.vapour_pa is None else result.vapour_pa / 1000
    seen = Vapour(result.vapour_probability, kpa, result.vapour_time_constant_s)
    slow = seen.probability >= NAMED_FROM
    if result.explanation in ("wet", "undecided"):
        run.vapour = seen
    if rest is not None and rest.is_vapour(*drift):
        run.rises_at_rest = True
        run.vapour = replace(seen, probability=max(RISES, seen.probability), at_rest_pa=rest.rise_pa)
        # a slow rise in the hold as well cannot come from warmth; alone, something may warm the reservoir
        run.slow_rise = None if slow else run.vapour
    elif slow and (rest is not None or not _is_large(seen, hold_s)):
        # vapour would have shown at rest, unless the manifold was full of it
        run.slow_rise = seen


def beside_vapour(leak: Characteristic, rest: RestRise | None, volume_m3: float, limit: float | None) -> Characteristic:
    """A leak that was measured as if there were no vapour, in the light of vapour that showed at rest.

    Vapour only adds: what seems to leak within the limit leaks no more than that. Of what lies beyond it, as much as
    rose at rest may be vapour's.
    """
    if rest is None or leak.value is None or leak.u is None or leak.bound:
        return leak
    if limit is None or leak.value <= limit:
        how = f"{leak.how}; at most, vapour included"
        return replace(leak, value=max(leak.value, 0.0) + 2.0 * leak.u, u=None, bound="below", how=how, parts=())
    vapour = sccm_from_pv_flow(volume_m3 * max(rest.rise_pa, 0.0) / rest.seconds, rest.ambient_k)
    parts = tuple(sorted((*leak.parts, ("vapour that rose at rest", vapour)), key=lambda part: -part[1]))
    return replace(leak, u=math.hypot(leak.u, vapour), parts=parts)


def _is_large(seen: Vapour, hold_s: float) -> bool:
    if seen.pressure_kpa is None:
        return False
    seconds = seen.time_constant_s or hold_s
    return seen.pressure_kpa * -math.expm1(-hold_s / seconds) > SURELY_VAPOUR_KPA
