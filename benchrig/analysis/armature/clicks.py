"""Several pulses of one valve, taken together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchrig.analysis.armature.inrush import InrushResult

__all__ = ["ClickSet", "combine_clicks"]

HIDDEN = 0.1  # of the drop-out: by which one that does not show may differ from those that do (engineering judgement)


@dataclass(frozen=True)
class ClickSet:
    """Several pulses of one valve, taken together.

    Attributes
    ----------
    pulses, moved, cannot_tell : int
        Pulses analysed; with motion; undecided.
    armature_moved : bool or None
        What more than half of the decided pulses say, if at least half are decided; else None.
    evidence : float
        Mean of the pulses' evidence.
    pull_in_time_ms, drop_out_time_ms, steady_current_a, resistance_ohm : float or None
        Means over the pulses that have the value; the standard uncertainty (``_u``) joins the scatter of the mean (type
        A) with the mean uncertainty that the pulses state (type B; not divided by the number of pulses for the current
        and the resistance, whose uncertainty is common to all pulses). None when no pulse has it.
    drop_out_above_ms : float or None
        Where the drop-out has no value: no pulse shows it, then the largest of the times by which the armature was
        certainly not back; or the pulses that do not show it were later than those that do, then a time below the mean
        of all pulses.
    click_spread_ms : float or None
        Largest minus smallest pull-in time; None with fewer than two. Its uncertainty takes the two pulses as
        independent. That the true curves are no parabolas shifts all pulses of a valve alike and cancels, so this is
        rather too much; but noise alone also spreads ten pulses, by up to 0.2 ms on equal ones.
    notes : tuple of str
        Distinct notes of the pulses, each with the number of pulses that carry it when that is not all.
    """

    pulses: int
    moved: int
    cannot_tell: int
    armature_moved: bool | None
    evidence: float
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
    drop_out_above_ms: float | None = None


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


def _drop_out(moved: Sequence[InrushResult]) -> tuple[tuple[float | None, float | None], float | None, str]:
    """Mean drop-out, a time that it is above where it has no value, and a remark.

    Pulses that do not show their drop-out are no random choice: a late one comes after the current is used up.
    """
    shown = [r for r in moved if r.drop_out_time_ms is not None]
    value, u = _mean([(r.drop_out_time_ms, r.drop_out_time_ms_u) for r in shown], common=False)
    bounds = [r.drop_out_above_ms for r in moved if r.drop_out_time_ms is None and r.drop_out_above_ms is not None]
    if value is None or u is None:
        return (None, None), max(bounds, default=None), ""
    missing = len(moved) - len(shown)
    if missing == 0:
        return (value, u), None, ""
    remark = f"the drop-out shows in {len(shown)} of the {len(moved)} pulses with motion only"
    least = [r.drop_out_time_ms for r in shown if r.drop_out_time_ms is not None]
    if bounds and max(bounds) > value + u:
        above = float(np.mean([*least, *(max(b, min(least)) for b in bounds)]))
        return (None, None), above, f"{remark}, and the others came later: their mean is only bounded"
    spread = max(float(np.std(least)), HIDDEN * value)
    return (value, float(np.hypot(u, missing / len(moved) * spread))), None, remark


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
    yes, no = (sum(r.armature_moved is answer for r in results) for answer in (True, False))
    decided = yes + no > 0 and 2 * (yes + no) >= len(results) and yes != no
    pull_in = _mean(pull, common=False)
    drop_out, above, remark = _drop_out([r for r in results if r.armature_moved])
    notes = (*notes, remark) if remark else notes
    current = _mean([(r.steady_current_a, r.steady_current_a_u) for r in results], common=True)
    ohm = _mean([(r.resistance_ohm, r.resistance_ohm_u) for r in results], common=True)
    return ClickSet(
        pulses=len(results),
        moved=yes,
        cannot_tell=len(results) - yes - no,
        armature_moved=yes > no if decided else None,
        evidence=float(np.mean([r.evidence for r in results])) if results else 0.0,
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
        drop_out_above_ms=above,
    )
