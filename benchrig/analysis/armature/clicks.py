"""Several pulses of one valve, taken together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from benchrig.analysis.armature.inrush import InrushResult
from benchrig.analysis.characteristics import units_of_step
from benchrig.analysis.results import Characteristic

__all__ = ["UNITS", "ClickSet", "combine_clicks"]

UNITS = units_of_step("clicks")
HIDDEN = 0.1  # of the drop-out: by which one that does not show may differ from those that do (engineering judgement)
Found = tuple[float | None, float | None]
"""A value and its standard uncertainty; None and None where there is none."""


@dataclass(frozen=True)
class ClickSet:
    """Several pulses of one valve, taken together.

    Attributes
    ----------
    pulses, moved, still : int
        Pulses analysed; with motion; certainly without. The rest cannot tell.
    characteristics : mapping of str to Characteristic
        Pull-in time, drop-out time, click spread and steady current, by name.
    notes : tuple of str
        Distinct notes of the pulses, each with the number of pulses that carry it when that is not all.
    """

    pulses: int
    moved: int
    still: int
    characteristics: Mapping[str, Characteristic]
    notes: tuple[str, ...]


def combine_clicks(results: Sequence[InrushResult], pulse_ms: float) -> ClickSet:
    """Take several pulses of one valve together.

    Times and current are means over the pulses that have the value; the standard uncertainty joins the scatter of the
    mean (type A) with the mean uncertainty that the pulses state (type B; not divided by the number of pulses for the
    current, whose uncertainty is common to all pulses).

    Where the drop-out has no value there may be a bound: no pulse shows it, then the largest of the times by which the
    armature was certainly not back; or the pulses that do not show it were later than those that do, then a time below
    the mean of all pulses.

    The spread is the largest minus the smallest pull-in time. Its uncertainty takes the two pulses as independent. That
    the true curves are no parabolas shifts all pulses of a valve alike and cancels, so this is rather too much; but
    noise alone also spreads ten pulses, by up to 0.2 ms on equal ones.

    Parameters
    ----------
    results : sequence of InrushResult
        One per pulse, in order.
    pulse_ms : float
        How long each pulse was: where nothing moved, the pull-in time is above it.

    Returns
    -------
    ClickSet

    Examples
    --------
    >>> combine_clicks([], 120.0).pulses
    0
    """
    count, moving = len(results), [r for r in results if r.armature_moved]
    still = sum(r.armature_moved is False for r in results)
    found: dict[str, Found] = {}
    for name, pulses in (("pull_in_time_ms", results), ("drop_out_time_ms", moving), ("steady_current_a", results)):
        values = [getattr(r, name) for r in pulses if getattr(r, name) is not None]
        stated = [getattr(r, f"{name}_u") for r in pulses if getattr(r, name) is not None]
        if not values:
            found[name] = None, None
            continue
        n, variance = len(values), float(np.mean(np.square(stated)))
        scatter = float(np.var(values, ddof=1)) / n if n > 1 else 0.0
        if name == "steady_current_a":
            u = (scatter + variance) ** 0.5
        else:
            # the scatter already holds what varies from pulse to pulse; half of the variance is taken as common to all
            u = (max(scatter, variance / n) + 0.5 * variance) ** 0.5
        found[name] = float(np.mean(values)), u
    found["drop_out_time_ms"], above_ms, remark = _drop_out(*found["drop_out_time_ms"], moving)
    found["click_spread_ms"] = _spread(results)

    carried = Counter(note for r in results for note in r.notes)
    notes = [note if n == count else f"{note} ({n} of {count} pulses)" for note, n in carried.items()]
    notes += [remark] if remark else []
    unknown = "; ".join(notes) or "could not be told from the current"
    how_found = {
        "pull_in_time_ms": f"mean of {len(moving)} pulses: first arrival of the armature, from the current",
        "drop_out_time_ms": f"mean of {len(moving)} pulses, from the decaying current",
        "click_spread_ms": f"largest less smallest pull-in time of {len(moving)} pulses",
        "steady_current_a": f"mean of {count} pulses, end of the pulse",
    }
    characteristics: dict[str, Characteristic] = {}
    for name, how in how_found.items():
        value, u = found[name]
        why_not = unknown if value is None else ""
        characteristics[name] = Characteristic(name, value, u, UNITS[name], how, why_not=why_not)
    if still == count:
        how = f"no motion in {count} of {count} pulses of {pulse_ms:.0f} ms"
        characteristics["pull_in_time_ms"] = Characteristic("pull_in_time_ms", pulse_ms, None, "ms", how, bound="above")
        why = f"the armature did not move in any of {count} pulses"
        for name in ("drop_out_time_ms", "click_spread_ms"):
            characteristics[name] = Characteristic(name, None, None, "ms", how="", why_not=why)
    elif above_ms is not None:
        how = "the armature had not dropped out when the current was used up"
        characteristics["drop_out_time_ms"] = Characteristic("drop_out_time_ms", above_ms, None, "ms", how, "above")
    return ClickSet(count, len(moving), still, characteristics, tuple(notes))


def _drop_out(value: float | None, u: float | None, moving: Sequence[InrushResult]) -> tuple[Found, float | None, str]:
    """Mean drop-out of the pulses that show it, or a time that it is above, and a remark.

    Pulses that do not show their drop-out are no random choice: a late one comes after the current is used up.
    """
    shown = [r.drop_out_time_ms for r in moving if r.drop_out_time_ms is not None]
    bounds = [r.drop_out_above_ms for r in moving if r.drop_out_time_ms is None and r.drop_out_above_ms is not None]
    if value is None or u is None:
        return (None, None), max(bounds, default=None), ""
    missing = len(moving) - len(shown)
    if missing == 0:
        return (value, u), None, ""
    remark = f"the drop-out shows in {len(shown)} of the {len(moving)} pulses with motion only"
    if bounds and max(bounds) > value + u:
        above = float(np.mean([*shown, *(max(b, min(shown)) for b in bounds)]))
        return (None, None), above, f"{remark}, and the others came later: their mean is only bounded"
    spread = max(float(np.std(shown)), HIDDEN * value)
    return (value, float(np.hypot(u, missing / len(moving) * spread))), None, remark


def _spread(results: Sequence[InrushResult]) -> Found:
    """Largest less smallest pull-in time; none with fewer than two."""
    times = [(r.pull_in_time_ms, r.pull_in_time_ms_u) for r in results if r.pull_in_time_ms is not None]
    if len(times) < 2:
        return None, None
    x, u = np.asarray(times).T
    return float(np.ptp(x)), float(np.hypot(u[np.argmax(x)], u[np.argmin(x)]))
