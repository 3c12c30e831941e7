"""When the armature leaves its seat and is back at rest, while the current decays through the freewheel diode."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from benchrig.analysis.armature.damped_return import DampedReturn, SeatedPart, follow_return, seated_part
from benchrig.analysis.armature.pull_in import DIP_CLEAR, DIP_LEAST
from benchrig.analysis.armature.return_corner import find_corner
from benchrig.analysis.coil.coil_trace import CoilTrace
from benchrig.analysis.coil.flux_linkage import Branches
from benchrig.analysis.statistics.kinks import Instant, begins_sharply, find_dip, leaving

__all__ = ["Release", "look_for_release"]

SHARP, SHARP_S = 10.0, 1e-3  # clear and quick enough a corner that no other explanation is tried
BOUNCE_LEAST = 0.04  # of the full current by which it must come back after release to be looked at as a bounce
BEND_S, BEND_REACH_S = (0.4e-3, 0.6e-3, 1e-3), 8e-4
# weight of a followed return against a corner that is not sharp: a damped armature bends the decay early
FOLLOWED = 0.65
UNCERTAIN = 0.4  # of the way from seat to rest: a followed return that is less certain says nothing
# An armature is back only when the magnet has let go of it: of 450 corners in records by other physics and 96 on the
# simulated bench, none lay above these parts of the full flux, of that at the arrival, and of the full current.
MOST_FLUX, MOST_ARRIVAL, MOST_CURRENT = 0.4, 0.9, 0.7
# A faint bend while there is much flux may be that of leaving: up to so much of the drop-out more, from this part of
# the full flux on over the next, below this clearness over the next. Same populations.
LEAVING, LEAVING_FLUX, LEAVING_OVER, LEAVING_CLEAR, LEAVING_FROM = 0.1, 0.2, 0.06, 20.0, 10.0
# Where the current is nearly used up it bends by itself, and a return after that does not show: up to so much of the
# drop-out more, from this part of the time until then on over the next. Of 110 corners in records by other physics.
LATE, LATE_FROM, LATE_OVER = 0.05, 0.75, 0.15
# Least standard uncertainty of a followed return without any corner, part of the drop-out: when it is back by this part
# of the time in which the current is used up. It grows from there on: what an armature does without current does not
# show, and late, less than this of the way seen says nothing. Of 40 in records by other physics.
EARLY, ALONE_SHARE = 0.7, 0.07
USED_UP, LATE_SHARE, LATE_SEEN = 0.93, 0.25, 0.4
# A corner that is not sharp, at which the gap still seems open by this part, may be an armature on its way: the end
# may come by these parts of the time that is left until the current is used up later (shift, standard uncertainty).
STILL_OPEN, OPEN_CLEAR, OPEN_HALF_S, OPEN_SHIFT, OPEN_U = 0.6, 16.0, 9e-4, 0.2, 0.3
STOPPED = 0.47  # of 300 sharp corners of armatures that were back 6 had so much left
# After the corner of an armature that is back the current falls with the flux as it rose before the motion; one that is
# held on its way keeps its part of the gap's slope. Least part at the corner, and in the slope, for sharp corners and
# for wide ones: of 2,360 sound returns 57 are taken for held, and 6 of 24 held ones are stated. With 0.3 and 0.3 for
# the wide ones it is 60 and 4, but 2 of 40 in a test where 1 may be.
HELD_SHARP, HELD_WIDE, HELD_SD = (0.25, 0.2), (0.4, 0.25), 2.0
HELD_FROM, HELD_FLUX, HELD_FEWEST = 0.3, 0.03, 9  # half widths after the corner; of the full flux; samples
SURELY = 0.85  # of the time until which it seems to be at its seat: flux and current are not known better
SEATED = 0.9  # of the gap's share in the current: an armature is not back before it has lost so much of it once


@dataclass(frozen=True)
class Release:
    """First motion and first arrival back at rest, from release; None when it does not show.

    `above_s`: the armature was certainly not back by then, when that is all that can be said. `held`: the decay bends
    while the magnet still holds, so the release may be another.
    """

    start: Instant | None = None
    back: Instant | None = None
    above_s: float | None = None
    held: bool = False
    notes: tuple[str, ...] = ()


def look_for_release(trace: CoilTrace, b: Branches, full_a: float, arrival_s: float | None) -> Release:
    """First motion and first arrival back at rest, from release.

    While the gap opens the flux drives the current up against its decay; when the armature stops, the slope falls back
    at once.

    Parameters
    ----------
    trace : CoilTrace
        Cleaned record.
    b : Branches
        Its rise and decay.
    full_a : float
        Steady current, A.
    arrival_s : float or None
        Arrival on the rise, from switch-on.

    Returns
    -------
    Release
    """
    dt = trace.dt_s
    noise = trace.noise_over(full_a)
    if len(b.decay) < 12:
        return Release(notes=("drop-out needs the decay of the current, which was not recorded",))
    skip = round(5e-4 / dt)
    hump = find_dip(-b.decay, noise, dt)
    if (
        hump.clear > DIP_CLEAR
        and hump.depth > BOUNCE_LEAST
        and begins_sharply(-b.decay, noise, hump, dt, BEND_REACH_S, BEND_S, SHARP)
    ):
        seen = f"{1e3 * hump.top * dt:.1f} ms after release the current rises at once"
        return Release(notes=(f"{seen}: the switch bounces, or the coil is switched on again; no drop-out is stated",))
    seated = seated_part(trace, b, arrival_s) if arrival_s is not None else None
    corner = find_corner(trace, b, full_a)
    if corner is not None and _still_held(b, corner[0], trace, arrival_s):
        seen = f"{1e3 * corner[0].s:.1f} ms after release the decay bends while the magnet still holds"
        why = "the switch bounces, or the release is not when it was said to be; no drop-out is stated"
        return Release(held=True, notes=(f"{seen}: {why}",))
    sharp = corner is not None and corner[1] < OPEN_HALF_S
    if corner is not None and sharp and _held_on_its_way(trace, b, seated, *corner, noise):
        return _held(trace, b, seated, corner[0])
    notes: tuple[str, ...] = ()
    back = corner[0] if corner is not None else None
    if back is not None:
        back = _perhaps_late(b, _perhaps_leaving(b, back, dt))
    followed: DampedReturn | None = None
    if corner is None or corner[0].clear < SHARP or corner[1] > SHARP_S:
        followed = follow_return(trace, b, seated)
    if followed is not None and corner is None and _still_held(b, Instant(followed.back_s, 0.0, 0.0), trace, arrival_s):
        followed = None
    if followed is not None:
        back, note = _joined(back, followed, b.decay_end_s)
        notes = (note,) if note else ()
    elif corner is not None and back is not None:
        if not sharp and _held_on_its_way(trace, b, seated, *corner, noise):
            return _held(trace, b, seated, corner[0])
        back = _perhaps_on_its_way(trace.dt_s, b, seated, back, corner[1])
    if back is None:
        above = _not_before(trace, b, noise, seated)
        if above is not None:
            note = f"not dropped out {1e3 * above:.0f} ms after release, and then the current is used up"
            return Release(above_s=above, notes=(note,))
    if back is None:
        above = _too_much_flux(trace, b)
        held = f"; until {1e3 * above:.1f} ms after release there is too much flux for it" if above is not None else ""
        return Release(above_s=above, notes=(f"drop-out does not show before the current is used up{held}",))
    # from the fall along the seated line until shortly before the return
    k = min(round((back.s if followed is None else followed.leaves_s + 2e-3) / dt), len(b.decay) - 1)
    since = max(skip, hump.top) if hump.clear > DIP_CLEAR and hump.depth > DIP_LEAST else k
    begin = max(2 * skip, k - round(12e-3 / dt))
    rows = slice(begin, max(begin, k - max(1, (k - since) // 4)))
    start = leaving(trace.decay_s[rows], b.decay_flux[rows], b.decay[rows], noise)
    return Release(start, Instant(back.s + float(trace.decay_s[0]), back.u_s, back.clear), notes=notes)


def _still_held(b: Branches, corner: Instant, trace: CoilTrace, arrival_s: float | None) -> bool:
    """At the corner there is more flux or current than any armature falls off with."""
    at = min(round(corner.s / trace.dt_s), len(b.decay_flux) - 1)
    flux, full = float(b.decay_flux[at]), float(b.rise_flux[-1])
    if flux > MOST_FLUX * full or float(b.decay_smooth[at]) > MOST_CURRENT:
        return True
    if arrival_s is None:
        return False
    return flux > MOST_ARRIVAL * float(np.interp(arrival_s, trace.rise_s, b.rise_flux))


def _too_much_flux(trace: CoilTrace, b: Branches) -> float | None:
    """Time, s, until which there is more flux than any armature is back with; see `MOST_FLUX`."""
    less = np.flatnonzero(b.decay_flux < MOST_FLUX * float(b.rise_flux[-1]))
    return 0.9 * float(trace.decay_s[less[0]]) if len(less) else None


def _perhaps_leaving(b: Branches, corner: Instant, dt: float) -> Instant:
    """The corner, less certain where it may be that of leaving the seat."""
    at = min(round(corner.s / dt), len(b.decay_flux) - 1)
    early = (float(b.decay_flux[at]) / float(b.rise_flux[-1]) - LEAVING_FLUX) / LEAVING_OVER
    faint = (LEAVING_CLEAR - corner.clear) / LEAVING_FROM
    more = LEAVING * corner.s * min(max(early, 0.0), 1.0) * min(max(faint, 0.0), 1.0)
    return replace(corner, u_s=float(np.hypot(corner.u_s, more)))


def _perhaps_late(b: Branches, corner: Instant) -> Instant:
    """The corner, less certain where the current is nearly used up."""
    if b.decay_end_s is None or b.decay_end_s <= 0.0:
        return corner
    part = min(max((corner.s / b.decay_end_s - LATE_FROM) / LATE_OVER, 0.0), 1.0)
    return replace(corner, u_s=float(np.hypot(corner.u_s, LATE * part * corner.s)))


def _perhaps_on_its_way(dt: float, b: Branches, seated: SeatedPart | None, corner: Instant, half_s: float) -> Instant:
    """The corner, later and less certain where the gap still seems open at it."""
    if corner.clear > OPEN_CLEAR or half_s < OPEN_HALF_S or b.decay_end_s is None:
        return corner
    left, left_s = _part_left(dt, seated, corner), b.decay_end_s - corner.s
    if left is None or left < STILL_OPEN or left_s <= 0.0:
        return corner
    return replace(corner, s=corner.s + OPEN_SHIFT * left_s, u_s=float(np.hypot(corner.u_s, OPEN_U * left_s)))


def _held(trace: CoilTrace, b: Branches, seated: SeatedPart | None, corner: Instant) -> Release:
    left = _part_left(trace.dt_s, seated, corner) or 0.0
    seen = f"{1e3 * corner.s:.1f} ms after release the armature stops, but {100 * left:.0f} % of the gap's"
    why = "share in the current is still missing: something may hold it on its way; no drop-out is stated"
    return Release(above_s=_too_much_flux(trace, b), notes=(f"{seen} {why}",))


def _held_on_its_way(
    trace: CoilTrace, b: Branches, seated: SeatedPart | None, corner: Instant, half_s: float, noise: float
) -> bool:
    """Part of the gap is still missing at the corner, and goes on missing in proportion to the flux after it."""
    left = _part_left(trace.dt_s, seated, corner)
    if seated is None or left is None:
        return False
    slope, slope_u = _slope_left(trace.dt_s, b, seated, corner, half_s, noise)
    if half_s < OPEN_HALF_S:
        return left > STOPPED or (left > HELD_SHARP[0] and slope > HELD_SHARP[1])
    at = round(corner.s / trace.dt_s)
    after = seated[0][at : at + round(half_s / trace.dt_s) + 1]
    after = after[np.isfinite(after)]
    later = float(np.median(after)) if len(after) > 2 else 0.0
    return min(left, later) > HELD_WIDE[0] and slope - HELD_SD * slope_u > HELD_WIDE[1]


def _slope_left(
    dt: float, b: Branches, seated: SeatedPart, corner: Instant, half_s: float, noise: float
) -> tuple[float, float]:
    """Part of the gap's slope of current against flux that is missing after the corner, and its standard uncertainty.

    A slope, because the offset by eddy currents and coercive force is not in it; -inf where it does not show.
    """
    part, top = seated
    begin = round((corner.s + HELD_FROM * half_s) / dt)
    flux = b.decay_flux[begin:]
    missing = part[begin:] * flux
    rows = np.isfinite(missing) & (flux > HELD_FLUX * float(b.rise_flux[-1]))
    if np.count_nonzero(rows) < HELD_FEWEST:
        return -np.inf, 0.0
    about = flux[rows] - float(flux[rows].mean())
    spread = max(float(about @ about), 1e-300)
    gap = max(float(np.nanmax(np.abs(b.apart[: top + 1]))), 1e-12) / max(float(b.rise_flux[top]), 1e-12)
    return float(about @ missing[rows]) / spread, noise / gap / spread**0.5


def _part_left(dt: float, seated: SeatedPart | None, corner: Instant) -> float | None:
    """How far the armature is from rest at the corner, of the way, by the current; 0.14 +- 0.2 for one that is back."""
    if seated is None:
        return None
    at, half = round(corner.s / dt), max(2, round(3e-4 / dt))
    near = seated[0][max(0, at - half) : at + half + 1]
    near = near[np.isfinite(near)]
    return float(np.median(near)) if len(near) else None


def _joined(corner: Instant | None, followed: DampedReturn, used_up_s: float | None) -> tuple[Instant | None, str]:
    """Corner and followed motion taken together, with an interval over both."""
    way_s = followed.back_s - followed.leaves_s
    if corner is None:
        late = used_up_s is not None and followed.back_s > USED_UP * used_up_s
        if followed.u_s > UNCERTAIN * way_s or (late and followed.seen < LATE_SEEN):
            return None, ""
        part = followed.back_s / used_up_s if used_up_s else USED_UP
        least = float(np.interp(part, (EARLY, USED_UP), (ALONE_SHARE, LATE_SHARE)))
        seen = 100 * min(followed.seen, 1.0)
        note = f"drop-out from the speed of a damped armature, of whose way {seen:.0f} % were seen"
        return Instant(followed.back_s, max(followed.u_s, least * followed.back_s), np.nan), note
    apart = abs(followed.back_s - corner.s)
    u = float(np.hypot(min(corner.u_s, followed.u_s), 0.5 * apart))
    both = Instant((1.0 - FOLLOWED) * corner.s + FOLLOWED * followed.back_s, u, corner.clear)
    if apart < 2.0 * corner.u_s:
        return both, ""
    return both, (
        f"the decay bends at {1e3 * corner.s:.1f} ms, but an armature of this speed is back at "
        f"{1e3 * followed.back_s:.1f} ms: the drop-out spans both"
    )


def _not_before(trace: CoilTrace, b: Branches, noise: float, seated: SeatedPart | None) -> float | None:
    """Time, s, at which the armature was still at its seat, when the decay shows that much and no return."""
    if seated is None:
        return None
    part, top = seated
    wide = max(2, round(5e-4 / trace.dt_s))
    size = float(np.nanmax(np.abs(b.apart[: top + 1]), initial=0.0)) / max(float(b.rise_flux[top]), 1e-12)
    usable = np.isfinite(part) & (size * b.decay_flux > 4.0 * noise / wide**0.5)
    rows = np.flatnonzero(usable)
    if len(rows) < 12 or not bool(np.any(part[rows] > 0.5)):
        return None
    left = np.flatnonzero(part[rows] < SEATED)
    return SURELY * float(trace.decay_s[rows[max(int(left[0]) - 1, 0) if len(left) else -1]])
