"""Inrush current of a solenoid valve: whether the armature moved, when it arrived, when it dropped out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from benchrig.analysis.armature.pull_in import look_for_motion
from benchrig.analysis.armature.release import Release, look_for_release
from benchrig.analysis.coil.coil_trace import CoilTrace, check_record, prepare
from benchrig.analysis.coil.flux_linkage import Branches, branches, steady_current
from benchrig.analysis.coil.switch_on import UNSURE_S
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.kinks import Instant

__all__ = ["InrushResult", "analyse_inrush"]

LEAST_OHM, MOST_OHM = 0.3, 5000.0  # of a valve's coil and its circuit: beyond lies a wrong unit (engineering judgement)
USEFUL = 0.05  # relative standard uncertainty above which a steady current says nothing
# Samples about an arrival may be missing for as long as this, elsewhere for longer, or for so many samples each; this
# part of a gap about the arrival is uncertain.
NEAR_S, SHORT_S, NEAR_SAMPLES, SHORT_SAMPLES, GAP_PART = 6e-4, 1e-3, 4.0, 5.0, 0.3
LOST_S = 8e-3  # by which the current falls before the release that was told where samples are missing; more: a trip
MOVED_ZERO = 0.008  # standard uncertainty of the zero, of the steady current, that leaves no bound of a drop-out
SURE_IN_PART = 3.0  # evidence of motion that counts where only the first part of the rise is good
COARSEST_S = 6e-4  # sample interval up to which an armature that does not show has not moved
# Factor on the uncertainty of the first motion where no drop-out shows: an armature that a small force holds was moved
# by a small one too, slowly at first. Of 1,960 in records by other physics.
HELD_LATE = 1.25
ON_ITS_WAY = 0.025  # by which the current may rise further where no arrival shows: standard uncertainty, relative
UNKNOWN = 0.3  # and from which not even motion can be judged against it
UNSETTLED = (
    "the pulse ended long before the current settled: steady current and resistance are not measured; "
    "make the pulse longer"
)


@dataclass(frozen=True)
class InrushResult:
    """What one pulse shows. A value that was not found is None, and so is its standard uncertainty (``_u``).

    Attributes
    ----------
    armature_moved : bool or None
        None: cannot tell; `notes` says why.
    pull_in_time_ms : float or None
        First arrival of the armature at its end, not a bounce, from switch-on.
    motion_start_ms : float or None
        First motion, from switch-on; None where no arrival shows. Weakly determined: it adds little current at first.
    drop_out_time_ms : float or None
        First arrival back at rest, from release.
    release_start_ms : float or None
        First motion on the decay, from release.
    steady_current_a : float or None
        Current that the rise settles at.
    resistance_ohm : float or None
        Supply over steady current: everything in the loop between the points where the supply was measured.
    dip_a : float or None
        Fall of the current before the arrival; 0.0 when none is seen, with an uncertainty that covers a shallow one.
    evidence : float
        Evidence of motion: the larger of two signs, each over the level that calls it motion, so that above 1.0 is
        "moved". The first sign is the hump of the rise over the decay at the same flux (see `coil.flux_linkage`):
        how far a point stands above the lowest points on both its sides. The second is the dip. Calibrated by
        tests/benchmarks/inrush_monte_carlo.py (10 kS/s, 12 bit, noise 1 % of full current): 1 of 2,000 blocked
        plungers was above 1.0 on each of two seeds, and half were below about 0.16. Below about 0.35 the answer is "did
        not move"; in between it is None.
    notes : tuple of str
        What the reader should know.
    fit_time_s, fit_current_a : ndarray, shape (m,)
        The rise as it would have been with the armature held where it ended, on the record's time axis, for drawing;
        empty when it could not be worked out.
    drop_out_above_ms : float or None
        When the drop-out was not found: a time from release by which the armature was not back (by Monte Carlo right in
        95 of 100 brisk and 99 of 100 damped armatures).
    """

    armature_moved: bool | None
    pull_in_time_ms: float | None
    pull_in_time_ms_u: float | None
    motion_start_ms: float | None
    motion_start_ms_u: float | None
    drop_out_time_ms: float | None
    drop_out_time_ms_u: float | None
    release_start_ms: float | None
    release_start_ms_u: float | None
    steady_current_a: float | None
    steady_current_a_u: float | None
    resistance_ohm: float | None
    resistance_ohm_u: float | None
    dip_a: float | None
    dip_a_u: float | None
    evidence: float
    notes: tuple[str, ...]
    fit_time_s: Samples
    fit_current_a: Samples
    drop_out_above_ms: float | None = None


def analyse_inrush(
    time_s: Samples,
    current_a: Samples,
    *,
    supply_v: float | None = None,
    supply_u_v: float = 0.0,
    voltage_v: Samples | None = None,
    on_s: float = 0.0,
    off_s: float | None = None,
    current_u_rel: float = 0.0,
    freewheel_v: float = 0.7,
) -> InrushResult:
    """Analyse one pulse of coil current.

    Assumes that the current after release is that of the coil through a diode, as with a shunt inside the diode's loop;
    a current that falls too fast for that is recognised and left out. Records from 2 to 100 kS/s are meant.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Seconds, strictly increasing. Samples before `on_s` give the zero of the current.
    current_a : ndarray, shape (n,)
        Amperes, finite.
    supply_v : float, optional
        Voltage across the loop while the steady current flows.
    supply_u_v : float, optional
        Standard uncertainty of the voltage (of `voltage_v` if given, else of `supply_v`), V.
    voltage_v : ndarray, shape (n,), optional
        Measured voltage during the record, V; takes the place of `supply_v` and follows a sagging supply.
    on_s : float, optional
        Time of switch-on.
    off_s : float, optional
        Time of release; looked for in the current when not given. At or beyond the end of the record: no decay. Where
        the current falls at another time, that is taken, and no drop-out is stated.
    current_u_rel : float, optional
        Standard uncertainty of the current channel's scale, relative; of limits +- a, a / sqrt(3) (GUM 4.3.7).
    freewheel_v : float, optional
        Forward voltage of the freewheel diode, V; need not be exact.

    Returns
    -------
    InrushResult
        With None wherever the record does not say.

    Raises
    ------
    ValueError
        Arrays of different length or more than one dimension, not finite, or time not increasing.

    Examples
    --------
    >>> t = np.arange(-0.02, 0.2, 1e-4)
    >>> rise, decay = 1.0 - np.exp(-t / 5e-3), 1.05 * np.exp(-(t - 0.12) / 5e-3) - 0.05
    >>> i = 0.5 * np.where(t < 0, 0.0, np.where(t < 0.12, rise, np.maximum(decay, 0.0)))
    >>> found = analyse_inrush(t, i, supply_v=13.0, off_s=0.12)
    >>> found.armature_moved, round(found.steady_current_a, 3), round(found.resistance_ohm, 2)
    (False, 0.5, 26.0)
    """
    time_s, current_a = np.asarray(time_s, dtype=np.float64), np.asarray(current_a, dtype=np.float64)
    voltage_v = None if voltage_v is None else np.asarray(voltage_v, dtype=np.float64)
    check_record(time_s, current_a, voltage_v)
    # counted from switch-on: nothing may depend on where the time axis begins
    time_s = time_s - on_s
    strange = _not_a_pulse(time_s)
    if strange:
        return _nothing((strange,), None)
    trace = prepare(time_s, current_a, voltage_v, off_s - on_s if off_s is not None else None)
    notes = list(trace.notes)
    if trace.trouble:
        return _nothing(_joined(notes, trace.trouble), None)
    steady = steady_current(trace)
    # an ADC step averages out only where the noise is larger
    step_var = trace.step_a**2 / 12 if trace.noise_a < 0.5 * trace.step_a else 0.0
    own_u = (steady.u_a**2 + trace.zero_u_a**2 + step_var) ** 0.5
    current = steady.current_a
    highest = float(np.abs(trace.rise_a).max())
    if current < max(2.0 * trace.noise_a, 3.0 * own_u, 1e-4) and highest < max(8.0 * trace.noise_a, 1e-4):
        if float(time_s[0]) < 0.0 and float(np.ptp(current_a)) == 0.0 and float(current_a[0]) != 0.0:
            same = f"every sample reads {current_a[0]:.4g} A: the probe or the converter is stuck"
            return _nothing((*notes, same), None)
        return _nothing((*notes, "no current flowed: the armature cannot have moved"), False, current, own_u)
    u = (own_u**2 + ((current_u_rel**2 + trace.scale_u**2) ** 0.5 * current) ** 2) ** 0.5
    volts = trace.end_v if trace.end_v is not None else supply_v
    if volts is not None and volts <= 0.0:
        volts = None
    if current <= 0.0 or own_u > UNKNOWN * current:
        return _nothing(_joined(notes, UNSETTLED), None)
    if abs(steady.unsettled) > 0.01:
        notes.append(f"the current was still {100 * abs(steady.unsettled):.1f} % from settling when the pulse ended")
    stated = not trace.hidden_zero and not trace.broken and u <= USEFUL * current
    if not stated and not trace.hidden_zero and not trace.broken:
        notes.append(UNSETTLED)
    ohm, ohm_u = None, None
    if volts is not None:
        if not LEAST_OHM < volts / current < MOST_OHM:
            wrong = f"{current:.4g} A at {volts:.4g} V would be {volts / current:.2g} ohm, no solenoid valve"
            return _nothing((*notes, f"{wrong}: check the units (mA for A?) and the scale of the probe"), None)
        if stated:
            ohm = volts / current
            ohm_u = ohm * ((u / current) ** 2 + (supply_u_v**2 + trace.end_v_u**2) / volts**2) ** 0.5
    known = volts if volts is not None else 12.5
    diode_u = (0.15 if volts is not None else 0.25) / known
    b = branches(trace, current, own_u / current, freewheel_v / known, diode_u)
    notes.extend(b.notes)
    motion = look_for_motion(trace, b, current)
    notes.extend(motion.notes)
    start, arrival = motion.start, motion.arrival
    release = Release()
    if motion.moved:
        release = look_for_release(trace, b, current, arrival.s if arrival else None)
        notes.extend(release.notes)
    opened, back = release.start, release.back
    if start is not None and back is None:
        start = replace(start, u_s=HELD_LATE * start.u_s)
    moved, shown = motion.moved, True
    settled_s, gone_s = _settled_s(b, trace.dt_s), trace.end_s + (b.decay_end_s or 0.0)
    if _in_a_gap(trace.gaps_s, 0.0, settled_s):
        moved = None if moved is False else moved
        # short gaps elsewhere, and gaps after it, hide no first arrival
        if arrival is None or _hidden(trace, arrival.s, 0.0, min(arrival.s + NEAR_S, settled_s)):
            start, arrival, shown = None, None, False
        else:
            arrival = _less_certain(arrival, GAP_PART * _gap_near(trace.gaps_s, arrival.s))
    if _in_a_gap(trace.gaps_s, trace.end_s, gone_s):
        if back is None or _hidden(trace, trace.end_s + back.s, trace.end_s, gone_s):
            opened, back, release = None, None, Release()
        else:
            back = _less_certain(back, GAP_PART * _gap_near(trace.gaps_s, trace.end_s + back.s))
    if moved is False and trace.dt_s > COARSEST_S:
        moved, shown = None, False
        notes.append(
            f"samples every {1e3 * trace.dt_s:.2g} ms are too few to see a quick armature: cannot tell whether it moved"
        )
    if trace.starts_off_s >= UNSURE_S:
        # flux is counted from switch-on: what it says of motion and of the seat is as wrong as that
        start, arrival = None, None
        moved = None if moved is False else moved
        release = replace(release, above_s=None)
    elif trace.starts_off_s > 0.0:
        start, arrival = (_less_certain(each, 0.4 * trace.starts_off_s) for each in (start, arrival))
    if trace.zero_u_a > MOVED_ZERO * current:
        # from which current on it is used up is as unsure
        release = replace(release, above_s=None)
    early_s = off_s - on_s - trace.end_s if off_s is not None and trace.doubtful_end else 0.0
    if 0.0 < early_s < LOST_S:
        # samples may have been lost, before the arrival or after it
        start, arrival = (_less_certain(each, 0.5 * early_s) for each in (start, arrival))
    if trace.doubtful_end:
        opened, back, release = None, None, Release()
    if trace.gentle:
        start, arrival = None, None
        opened, back, release = None, None, Release()
        moved = None if moved is False else moved
    if trace.hidden_zero or trace.scale_u > 0.0:
        # the end of the decay is that of the probe
        opened, back, release = None, None, Release()
    if trace.scale_u > 0.0 and moved is False:
        moved = None
        notes.append(
            "the droop of the probe was undone, but hides a small motion: cannot tell whether the armature moved"
        )
    if trace.broken:
        # a ripple's first wave looks like an armature's
        start, arrival = None, None
        if moved is False or (moved and motion.evidence < SURE_IN_PART):
            moved = None
            notes.append("only part of the rise could be looked at: cannot tell whether the armature moved")
    if moved is not False and arrival is None and stated:
        # an armature still on its way keeps the current down
        u = float(np.hypot(u, ON_ITS_WAY * current))
        if ohm is not None and ohm_u is not None:
            ohm_u = float(np.hypot(ohm_u, ON_ITS_WAY * ohm))
    # where it cannot be told whether the armature moved, a dip was looked for all the same
    judged = shown and (moved is not None or motion.moved is None)
    dips = judged and not (trace.gentle or trace.broken) and bool(np.isfinite(motion.dip))
    if arrival is None or trace.hidden_zero:
        start = None  # the end of the hump alone does not tell what its beginning is
    if release.held and off_s is None:
        # where the pulse ended was judged from the current alone, and wrongly perhaps
        stated, ohm, ohm_u = False, None, None
    fit_time, fit_current = _held_still(trace, current, on_s)
    return InrushResult(
        armature_moved=moved,
        pull_in_time_ms=1e3 * arrival.s if arrival else None,
        pull_in_time_ms_u=1e3 * arrival.u_s if arrival else None,
        motion_start_ms=1e3 * start.s if start else None,
        motion_start_ms_u=1e3 * start.u_s if start else None,
        drop_out_time_ms=1e3 * back.s if back else None,
        drop_out_time_ms_u=1e3 * back.u_s if back else None,
        release_start_ms=1e3 * opened.s if opened else None,
        release_start_ms_u=1e3 * opened.u_s if opened else None,
        steady_current_a=current if stated else None,
        steady_current_a_u=u if stated else None,
        resistance_ohm=ohm,
        resistance_ohm_u=ohm_u,
        dip_a=motion.dip * current if dips else None,
        dip_a_u=motion.dip_u * current if dips else None,
        evidence=motion.evidence,
        notes=tuple(notes),
        fit_time_s=fit_time,
        fit_current_a=fit_current,
        drop_out_above_ms=1e3 * release.above_s if release.above_s is not None else None,
    )


def _not_a_pulse(time_s: Samples) -> str:
    """What makes a record no pulse at all; empty when it may be one."""
    if float(time_s[0]) > max(0.5 * float(time_s[-1]), 0.0) and len(time_s) > 1:
        return f"the record begins {time_s[0]:.4g} s after switch-on: tell when that was on its time axis"
    if float(time_s[-1]) <= 0.0 and len(time_s) > 1:
        return "the record ends before switch-on: tell when that was on its time axis"
    return ""


def _joined(notes: list[str], trouble: str) -> tuple[str, ...]:
    return tuple(notes) if trouble in notes else (*notes, trouble)


def _less_certain(instant: Instant | None, u_s: float) -> Instant | None:
    return None if instant is None else replace(instant, u_s=float(np.hypot(instant.u_s, u_s)))


def _in_a_gap(gaps_s: tuple[tuple[float, float], ...], begin_s: float, end_s: float) -> bool:
    return any(last > begin_s and first < end_s for first, last in gaps_s)


def _hidden(trace: CoilTrace, at_s: float, begin_s: float, end_s: float) -> bool:
    """Samples are missing for so long that an arrival is anywhere in there, or another could be the first."""
    inside = [last - first for first, last in trace.gaps_s if last > begin_s and first < end_s]
    near = _gap_near(trace.gaps_s, at_s)
    return near > max(NEAR_S, NEAR_SAMPLES * trace.dt_s) or max(inside, default=0.0) > max(
        SHORT_S, SHORT_SAMPLES * trace.dt_s
    )


def _gap_near(gaps_s: tuple[tuple[float, float], ...], at_s: float) -> float:
    """Longest gap about a time, s."""
    near = [last - first for first, last in gaps_s if last > at_s - NEAR_S and first < at_s + NEAR_S]
    return max(near, default=0.0)


def _settled_s(b: Branches, dt_s: float) -> float:
    """When the rise has come within 3 % of its end, s."""
    under = np.flatnonzero(b.rise_smooth < 0.97)
    return float(under[-1] + 1) * dt_s if len(under) else 0.0


def _nothing(
    notes: tuple[str, ...], moved: bool | None, current: float | None = None, u: float | None = None
) -> InrushResult:
    empty = np.zeros(0)
    return InrushResult(moved, *(None,) * 8, current, u, *(None,) * 4, 0.0, notes, empty, empty)


def _held_still(trace: CoilTrace, full_a: float, on_s: float) -> tuple[Samples, Samples]:
    """One exponential through the first part of the rise: the current had the armature stayed where it was."""
    share = trace.rise_a / full_a
    early = (share > 0.05) & (np.maximum.accumulate(share) < 0.4)
    if np.count_nonzero(early) < 2:
        return np.zeros(0), np.zeros(0)
    rate = -np.log1p(-np.minimum(share[early], 0.95))
    t = trace.rise_s[early]
    slope = float(rate @ t / (t @ t))
    return trace.rise_s + on_s, full_a * -np.expm1(-slope * trace.rise_s)
