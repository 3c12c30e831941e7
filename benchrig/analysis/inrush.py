"""Inrush current of a solenoid valve: did the armature move, when did it arrive, when did it drop out?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchrig.analysis.coil_trace import CoilTrace, check_record, prepare
from benchrig.analysis.flux import branches, steady_current
from benchrig.analysis.motion import look_for_motion
from benchrig.analysis.release import look_for_release
from benchrig.analysis.results import Samples

__all__ = ["ClickSet", "InrushResult", "analyse_inrush", "combine_clicks"]


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
        First motion, from switch-on.
    drop_out_time_ms : float or None
        First arrival back at rest, from release.
    release_start_ms : float or None
        First motion on the decay, from release.
    steady_current_a : float or None
        Current that the rise settles at.
    resistance_ohm : float or None
        Supply over steady current: everything in the loop between the points where the supply was measured.
    dip_a : float or None
        Fall of the current before the arrival; 0.0 when there is none.
    evidence : float
        Evidence of motion: the largest of two signs of motion, each over the level that calls it motion, so that above
        1.0 is "moved". The signs are the hump of the rise over the decay at the same flux (with motion and without, see
        `benchrig.analysis.flux`) and the dip. The levels come from tests/benchmarks/inrush_monte_carlo.py.
    notes : tuple of str
        What the reader should know.
    fit_time_s, fit_current_a : ndarray, shape (m,)
        The rise as it would have been with the armature held where it ended, on the record's time axis, for drawing;
        empty when it could not be worked out.
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

    Assumes that the current after release is that of the coil through a diode, as with a shunt inside the diode's loop; a
    current that falls too fast for that is recognised and left out. Records from 2 to 100 kS/s are meant.

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
        Time of release; looked for in the current when not given. At or beyond the end of the record: no decay.
    current_u_rel : float, optional
        Standard uncertainty of the current channel's scale, relative.
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
    time_s, current_a, voltage_v = check_record(time_s, current_a, voltage_v)
    trace = prepare(time_s, current_a, voltage_v, on_s, off_s)
    notes = list(trace.notes)
    if trace.trouble:
        return _nothing((*notes, trace.trouble), None)
    steady = steady_current(trace)
    n = len(trace.rise_a)
    own_u = (steady.u_a**2 + trace.zero_u_a**2 + (trace.step_a**2 / 12 if trace.noise_a < 0.5 * trace.step_a else 0.0)) ** 0.5
    current = steady.current_a
    if current < max(5.0 * trace.noise_a / n**0.5, 3.0 * own_u, 1e-4):
        return _nothing((*notes, "no current flowed: the armature cannot have moved"), False, current, own_u)
    u = (own_u**2 + (current_u_rel * current) ** 2) ** 0.5
    volts = trace.end_v if trace.end_v is not None else supply_v
    ohm, ohm_u = None, None
    if volts is not None and volts > 0.0:
        ohm = volts / current
        ohm_u = ohm * ((u / current) ** 2 + (supply_u_v**2 + trace.end_v_u**2) / volts**2) ** 0.5
    if abs(steady.unsettled) > 0.01:
        notes.append(f"the current was still {100 * abs(steady.unsettled):.1f} % short of settling when the pulse ended")
    known = volts if volts is not None and volts > 0.0 else 12.5
    b = branches(trace, current, own_u / current, freewheel_v / known, 0.15 / known if volts is not None else 0.25 / known)
    notes.extend(b.notes)
    motion = look_for_motion(trace, b, current)
    notes.extend(motion.notes)
    start, arrival = motion.start, motion.arrival
    opened, back = None, None
    if motion.moved:
        opened, back, more = look_for_release(trace, b, current, arrival.s if arrival else None)
        notes.extend(more)
    fit_time, fit_current = _held_still(trace, current, on_s)
    return InrushResult(
        armature_moved=motion.moved,
        pull_in_time_ms=1e3 * arrival.s if arrival else None,
        pull_in_time_ms_u=1e3 * arrival.u_s if arrival else None,
        motion_start_ms=1e3 * start.s if start else None,
        motion_start_ms_u=1e3 * start.u_s if start else None,
        drop_out_time_ms=1e3 * back.s if back else None,
        drop_out_time_ms_u=1e3 * back.u_s if back else None,
        release_start_ms=1e3 * opened.s if opened else None,
        release_start_ms_u=1e3 * opened.u_s if opened else None,
        steady_current_a=current,
        steady_current_a_u=u,
        resistance_ohm=ohm,
        resistance_ohm_u=ohm_u,
        dip_a=motion.dip * current,
        dip_a_u=motion.dip_u * current,
        evidence=motion.evidence,
        notes=tuple(notes),
        fit_time_s=fit_time,
        fit_current_a=fit_current,
    )


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


@dataclass(frozen=True)
class ClickSet:
    """Several pulses of one valve, taken together.

    Attributes
    ----------
    pulses, moved, cannot_tell : int
        Pulses analysed; with motion; undecided.
    pull_in_time_ms, drop_out_time_ms, steady_current_a, resistance_ohm : float or None
        Means over the pulses that have the value; the standard uncertainty (``_u``) joins the scatter of the mean (type
        A) with the mean uncertainty that the pulses state (type B; not divided by the number of pulses for the current
        and the resistance, whose uncertainty is common to all pulses). None when no pulse has it.
    click_spread_ms : float or None
        Largest minus smallest pull-in time; None with fewer than two.
    notes : tuple of str
        Distinct notes of the pulses, each with the number of pulses that carry it when that is not all.
    """

    pulses: int
    moved: int
    cannot_tell: int
    pull_in_time_ms: float | None
    pull_in_time_ms_u: float | None
    drop_out_time_ms: float | None
    drop_out_time_ms_u: float | None
    click_spread_ms: float | None
    click_spread_ms_u: float | None
    steady_current_a: float | None
    steady_current_a_u: float | None
    resistance_ohm: float | None
    resistance_ohm_u: float | None
    notes: tuple[str, ...]


def _mean(pairs: Sequence[tuple[float | None, float | None]], *, common: bool) -> tuple[float | None, float | None]:
    found = [(x, u) for x, u in pairs if x is not None and u is not None]
    if not found:
        return None, None
    x, u = np.asarray(found).T
    n = len(x)
    stated = float(np.mean(u**2))
    scatter = float(x.var(ddof=1)) / n if n > 1 else 0.0
    if common:
        return float(x.mean()), (scatter + stated) ** 0.5
    # the scatter already holds what varies from pulse to pulse; half of the stated variance is taken as common to all
    return float(x.mean()), (max(scatter, stated / n) + 0.5 * stated) ** 0.5


def combine_clicks(results: Sequence[InrushResult]) -> ClickSet:
    """Take several pulses of one valve together.

    Parameters
    ----------
    results : sequence of InrushResult
        One per pulse, in order.

    Returns
    -------
    ClickSet

    Examples
    --------
    >>> combine_clicks([]).pulses
    0
    """
    pull = [(r.pull_in_time_ms, r.pull_in_time_ms_u) for r in results]
    times = [(x, u) for x, u in pull if x is not None and u is not None]
    spread, spread_u = None, None
    if len(times) > 1:
        x, u = np.asarray(times).T
        spread = float(np.ptp(x))
        spread_u = float(np.hypot(u[np.argmax(x)], u[np.argmin(x)]))
    counted: dict[str, int] = {}
    for r in results:
        for note in r.notes:
            counted[note] = counted.get(note, 0) + 1
    notes = tuple(n if c == len(results) else f"{n} ({c} of {len(results)} pulses)" for n, c in counted.items())
    pull_in = _mean(pull, common=False)
    drop_out = _mean([(r.drop_out_time_ms, r.drop_out_time_ms_u) for r in results], common=False)
    current = _mean([(r.steady_current_a, r.steady_current_a_u) for r in results], common=True)
    ohm = _mean([(r.resistance_ohm, r.resistance_ohm_u) for r in results], common=True)
    return ClickSet(
        pulses=len(results),
        moved=sum(r.armature_moved is True for r in results),
        cannot_tell=sum(r.armature_moved is None for r in results),
        pull_in_time_ms=pull_in[0],
        pull_in_time_ms_u=pull_in[1],
        drop_out_time_ms=drop_out[0],
        drop_out_time_ms_u=drop_out[1],
        click_spread_ms=spread,
        click_spread_ms_u=spread_u,
        steady_current_a=current[0],
        steady_current_a_u=current[1],
        resistance_ohm=ohm[0],
        resistance_ohm_u=ohm[1],
        notes=notes,
    )
