"""The flow step as a picture: the reservoir filling through the open valve."""

from __future__ import annotations

import numpy as np

from benchrig.analysis.results import Samples, Trace
from benchrig.records.run_record import RunRecord
from benchrig.reports.drawing import FIT, INK, LIMIT, MEASURED, Axes, Drawing, Pen, picked, span
from benchrig.reports.hold_plot import HALF_PT, HEIGHT_PT, frame
from benchrig.reports.lookups import ambient_pa, curve_of, first_trace, limit_of, measured

__all__ = ["flow_svg", "free_place", "slowest_line"]

INSET_PT, INSET_PART = 80.0, 0.2
"""Width of the enlarged picture; its height is this part of the whole picture's."""
AROUND_PT = (16.0, 12.0, 4.0, 10.0)
"""Left, above, right and below of it: its numbers and the words above."""
WORDS_PART = 0.3
"""Of the width: what the words at the rated vacuum take."""
LEAST_FOR_INSET_PT = 118.0
"""A lower picture has no room for it."""
FULL = 0.03
"""Less than this part of the first vacuum counts as full."""


def flow_svg(record: RunRecord, height_pt: float = HEIGHT_PT) -> str | None:
    """Samples, fit, the slowest fill allowed, and the first moments enlarged; None without a trace."""
    trace = first_trace(record, "flow", "pressure_pa")
    if trace is None:
        return None
    air_pa = ambient_pa(record)
    all_kpa = (air_pa - trace.columns["pressure_pa"]) / 1000
    end_s = _filled_s(trace.time_s, all_kpa)
    shown = (trace.time_s >= -0.05 * end_s) & (trace.time_s <= end_s)
    time_s, vacuum_kpa = picked(trace.time_s[shown], all_kpa[shown])
    rated_kpa = record.model.rated_vacuum_kpa
    drawing = Drawing(HALF_PT, height_pt, "Vacuum in kilopascals over seconds while air comes in by the open valve")
    low_kpa, high_kpa = span(vacuum_kpa, [0.0, rated_kpa], room=0.0)
    y = (low_kpa - 1.0, 1.06 * high_kpa)
    axes = drawing.axes(frame(height_pt), span(time_s, [0.0], room=0.0), y, x_label="seconds", y_label="vacuum, kPa")
    axes.level(rated_kpa, Pen(INK, 0.6, "1 2"))
    down = (y[1] - rated_kpa) / (y[1] - y[0])
    axes.words((0.012, down + 7.5 / axes.height), f"rated {rated_kpa:g} kPa")
    entries: list[tuple[str, Pen]] = []
    lines = [(time_s, vacuum_kpa), (time_s, np.full_like(time_s, rated_kpa))]
    lines += [_under(axes, rated_kpa)]
    fit = curve_of(trace, "pressure_pa")
    slowest = slowest_line(record, trace, fit)
    if slowest is not None:
        at_s, level_pa, label = slowest
        pen = Pen(LIMIT, 1.1, "5 2")
        lines.append(picked(at_s, (air_pa - level_pa) / 1000))
        axes.line(*lines[-1], pen)
        entries.append((label, pen))
    pen = Pen(MEASURED, 1.7)
    axes.line(time_s, vacuum_kpa, pen)
    entries.append(("measured", pen))
    if fit is not None:
        pen = Pen(FIT, 0.9, "4 2")
        axes.line(*picked(fit[0], (air_pa - fit[1]) / 1000), pen)
        entries.append(("fit", pen))
    if len(entries) > 1:
        axes.legend(entries)
    if "opened" in trace.marks and height_pt < LEAST_FOR_INSET_PT:
        axes.words((0.99, 0.12), f"air comes in after {trace.marks['opened'] * 1e3:.1f} ms", anchor="end")
    elif "opened" in trace.marks:
        _first_moments(drawing, free_place(axes, lines, height_pt), record, trace, all_kpa)
    elif fit is None:
        axes.words((0.5, 0.75), "no air came in", FIT, anchor="middle", size_pt=8)
    return drawing.svg()


def _filled_s(time_s: Samples, vacuum_kpa: Samples) -> float:
    """Where to end the picture: well after the reservoir is full, or at the last sample."""
    end_s = float(time_s[-1])
    left = vacuum_kpa > FULL * float(np.nanmax(vacuum_kpa))
    last_s = float(time_s[left][-1]) if left.any() else 0.0
    return min(1.6 * last_s, end_s) if last_s > 0 else end_s


def slowest_line(
    record: RunRecord, trace: Trace, fit: tuple[Samples, Samples] | None
) -> tuple[Samples, Samples, str] | None:
    """The fit, stretched in time by measured over least allowed flow. A guide for the eye: heat is not stretched."""
    limit = limit_of(record, "flow_at_rated_vacuum_lpm_anr")
    found = measured(record, "flow_at_rated_vacuum_lpm_anr")
    if limit is None or not limit.low or found is None or not found.value or found.bound or fit is None:
        return None
    opened_s = trace.marks.get("opened", 0.0)
    at_s = opened_s + (fit[0] - opened_s) * found.value / limit.low
    return at_s, fit[1], f"at the limit, {limit.low:g} L/min"


def _under(axes: Axes, rated_kpa: float) -> tuple[Samples, Samples]:
    """Values where the words under the line of the rated vacuum stand."""
    (from_s, to_s), (low_kpa, high_kpa) = axes.x, axes.y
    at_s = np.linspace(from_s, from_s + WORDS_PART * (to_s - from_s), 100)
    return at_s, np.full_like(at_s, rated_kpa - 5.0 / axes.height * (high_kpa - low_kpa))


def free_place(axes: Axes, lines: list[tuple[Samples, Samples]], height_pt: float) -> tuple[float, float, float, float]:
    """Left, top, width and height of the place where the enlarged picture covers the least of the lines."""
    tall_pt = INSET_PART * height_pt
    before_pt, above_pt, behind_pt, below_pt = AROUND_PT
    right_pt = axes.left + axes.width - INSET_PT - behind_pt
    low_pt = axes.top + axes.height - tall_pt - below_pt
    places = [
        (left, top)
        for top in (axes.top + above_pt, low_pt)
        for left in (right_pt, 0.5 * (axes.left + right_pt), axes.left + 2 * before_pt)
    ]
    points = [axes.place_of(x, y) for x, y in lines]

    def covered(place: tuple[float, float]) -> int:
        left, top = place[0] - before_pt, place[1] - above_pt
        right, bottom = place[0] + INSET_PT + behind_pt, place[1] + tall_pt + below_pt
        return sum(int(np.sum((x > left) & (x < right) & (y > top) & (y < bottom))) for x, y in points)

    left, top = min(places, key=covered)
    return left, top, INSET_PT, tall_pt


def _first_moments(
    drawing: Drawing, place: tuple[float, float, float, float], record: RunRecord, trace: Trace, all_kpa: Samples
) -> None:
    """Enlarged: when the pressure begins to rise."""
    opened_ms = trace.marks["opened"] * 1e3
    limit = limit_of(record, "opening_delay_ms")
    high_ms = limit.high if limit is not None else None
    end_ms = 1.4 * max(opened_ms, high_ms or 0.0, 10.0)
    time_ms = trace.time_s * 1e3
    shown = (time_ms >= -0.25 * end_ms) & (time_ms <= end_ms)
    x_ms, y_kpa = picked(time_ms[shown], all_kpa[shown], 240)
    if len(x_ms) < 2:
        return
    inset = drawing.axes(place, span(x_ms, [0.0], room=0.0), span(y_kpa, room=0.15), about=(3, 2), small=True)
    if high_ms is not None:
        inset.band(high_ms, end_ms, LIMIT, 0.12)
        inset.upright(high_ms, Pen(LIMIT, 1.1, "5 2"))
    inset.line(x_ms, y_kpa, Pen(MEASURED, 0.9))
    inset.upright(opened_ms, Pen(FIT, 1.0))
    inset.words((1.0, -0.1), f"air comes in after {opened_ms:.1f} ms", anchor="end")
