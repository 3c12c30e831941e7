"""Pictures of a summary: rejects by cause, the most frequent first; how values lie against their limit."""

from __future__ import annotations

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.records.summary import CauseCount, Spread
from benchrig.reports.drawing import FIT, LIMIT, MEASURED, SMALL_PT, WIDE_EM, Drawing, Pen, span
from benchrig.reports.formatting import unit_text

__all__ = ["causes_svg", "spread_svg"]

_BAR = Pen(MEASURED, 9.0, opacity=0.85)
WIDE_PT = 520.0
ROW_PT = 15.0
HALF_PT, HIGH_PT = 250.0, 96.0
MOST_BINS, LEAST_BINS = 24, 6


def causes_svg(causes: tuple[CauseCount, ...]) -> str:
    """A Pareto chart: bars that shrink downwards, and the line of their sums in percent of all rejects."""
    if not causes:
        return ""
    most = causes[0].count
    left = 10 + WIDE_EM * SMALL_PT * max(len(each.cause) for each in causes)
    high = ROW_PT * len(causes)
    wide = WIDE_PT - left - 60
    drawing = Drawing(WIDE_PT, high + 34, f"rejects by cause, most frequent: {causes[0].cause}, {most}")
    rows = (len(causes) + 0.5, 0.5)
    place, about = (left, 12.0, wide, high), (min(6, most + 1), 4)
    bars = drawing.axes(place, (0.0, 1.05 * most), rows, numbers=False, small=True, about=about, x_label="rejects")
    sums = drawing.axes(place, (0.0, 105.0), rows, numbers=False, small=True, about=(1, 4), x_numbers=False)
    for row, each in enumerate(causes, start=1):
        bars.line(np.array([0.0, float(each.count)]), np.array([row, row], dtype=np.float64), _BAR)
        at = (row - 0.5) / len(causes)
        down = at + 0.32 * SMALL_PT / high
        bars.words((-6 / wide, down), each.cause, anchor="end")
        bars.words((1.0 + 6 / wide, down), f"{each.count}, {100 * each.cumulative:.0f} %")
    parts = np.array([100 * each.cumulative for each in causes])
    sums.line(parts, np.arange(1.0, len(causes) + 1), Pen(FIT, 1.2, "4 2"))
    sums.dots(parts.tolist(), list(range(1, len(causes) + 1)), FIT)
    return drawing.svg()


def spread_svg(each: Spread) -> str:
    """A histogram of the values; what the limit forbids is shaded. Empty where there are no values."""
    if not len(each.values):
        return ""
    limit = each.limit
    edges_of_limit = [] if limit is None else [edge for edge in (limit.low, limit.high) if edge is not None]
    x = span(each.values, edges_of_limit)
    bins = int(np.clip(round(np.sqrt(len(each.values)) * 1.5), LEAST_BINS, MOST_BINS))
    edges = _edges(x, bins, edges_of_limit)
    x = float(edges[0]), float(edges[-1])
    counts, _ = np.histogram(each.values, bins=edges)
    described = f"{each.name}: {len(each.values)} values, {each.beyond} beyond the limit"
    drawing = Drawing(HALF_PT, HIGH_PT, described)
    y = (0.0, 1.1 * float(counts.max()))
    axes = drawing.axes(
        (30.0, 6.0, HALF_PT - 40, HIGH_PT - 34),
        x,
        y,
        x_label=unit_text(each.unit),
        about=(5, min(3, int(counts.max()))),
        small=True,
    )
    if limit is not None and limit.low is not None:
        axes.band(x[0], limit.low, "#a8360f", 0.10)
        axes.upright(limit.low, Pen(LIMIT, 1.2, "5 2"))
    if limit is not None and limit.high is not None:
        axes.band(limit.high, x[1], "#a8360f", 0.10)
        axes.upright(limit.high, Pen(LIMIT, 1.2, "5 2"))
    steps_x = np.repeat(edges, 2)
    steps_y = np.concatenate([[0.0], np.repeat(counts.astype(np.float64), 2), [0.0]])
    axes.line(steps_x, steps_y, Pen(MEASURED, 1.2))
    return drawing.svg()


def _edges(x: tuple[float, float], bins: int, limits: list[float]) -> Samples:
    """Edges of bins over all of `x`, of which one is a limit, so that no bar stands on both sides of it."""
    width = (x[1] - x[0]) / bins
    if len(limits) == 2:
        width = (limits[1] - limits[0]) / max(1, round((limits[1] - limits[0]) / width))
    zero = limits[0] if limits else x[0]
    first, last = (np.floor((x[0] - zero) / width + 1e-9), np.ceil((x[1] - zero) / width - 1e-9))
    return zero + width * np.arange(first, last + 1)
