"""The chart of one characteristic: values with limits and weighted average; below, the moving ranges."""

from __future__ import annotations

import numpy as np

from benchrig.reports.chart_words import Charted, count
from benchrig.reports.drawing import FIT, INK, LIMIT, MEASURED, SMALL_PT, WIDE_EM, Drawing, Pen, alike, span, ticks
from benchrig.reports.formatting import unit_text

__all__ = ["chart_svg"]

_BAD, _ODD, _SHADE = "#a8360f", "#7a8790", "#e3e8eb"
WIDE_PT, HIGH_PT = 256.0, 152.0
RIGHT_PT = 9.0
"""Room for half of the last number below."""
ABOUT = 5
MANY = 150
"""More values than this stand closer than their marks are wide: line and marks become finer."""


def chart_svg(each: Charted) -> str:
    """Draw it; empty when there is no chart. The baseline is shaded, broken rules are ringed."""
    drawn = each.chart
    if drawn is None:
        return ""
    limits = drawn.limits
    at = np.arange(1.0, len(drawn.values) + 1)
    hit = sorted({signal.at for signal in drawn.signals})
    odd = list(each.odd_in_baseline)
    described = (
        f"{each.title}: {count(len(at), 'value')}, {len(hit)} with a broken rule, limits {each.number(limits.low)} to "
        f"{each.number(limits.high)} {unit_text(each.unit)}".rstrip()
    )
    x = (0.5, 1.01 * len(at) + 0.5)
    y = span(drawn.values, [limits.low, limits.high], drawn.average)
    ranges = (0.0, 1.06 * float(np.nanmax([limits.range_high, *drawn.moving_ranges])))
    numbers = [*alike(ticks(*y, ABOUT)), *alike(ticks(*ranges, 3))]
    number_pt = 4.5 + WIDE_EM * SMALL_PT * max(len(number) for number in numbers)
    left = number_pt + 14.0
    wide = WIDE_PT - left - RIGHT_PT
    drawing = Drawing(WIDE_PT, HIGH_PT, described)
    above = drawing.axes(
        (left, 5.0, wide, 82.0),
        x,
        y,
        y_label=unit_text(each.unit),
        about=(6, ABOUT),
        small=True,
        x_numbers=False,
        label_pt=number_pt + 5.0,
    )
    below = drawing.axes(
        (left, 95.0, wide, 31.0),
        x,
        ranges,
        x_label="run of the check valve",
        y_label="range",
        about=(6, 3),
        small=True,
        label_pt=number_pt + 5.0,
    )
    few = len(at) <= MANY
    for axes in (above, below):
        axes.band(0.5, limits.baseline + 0.5, _SHADE, 0.75)
    above.level(limits.centre, Pen(LIMIT, 0.8))
    above.line(at, drawn.values, Pen(MEASURED, 0.7 if few else 0.4, opacity=1.0 if few else 0.6))
    above.beads(at, drawn.values, MEASURED, 2.3 if few else 1.3)
    for level in (limits.high, limits.low):
        above.level(level, Pen(LIMIT, 0.8, "4 2"))
    judged = np.isfinite(drawn.average)
    for edge in (drawn.average_low, drawn.average_high):
        above.line(at[judged], edge[judged], Pen(FIT, 0.7, "1.5 1.5"))
    above.line(at[judged], drawn.average[judged], Pen(FIT, 1.2 if few else 1.0))
    above.rings(at[hit], drawn.values[hit], Pen(_BAD, 0.9), 2.75)
    above.squares(at[odd], drawn.values[odd], Pen(_ODD, 0.9), 5.5)
    below.line(at[1:], drawn.moving_ranges[1:], Pen(INK, 0.7 if few else 0.4))
    below.level(limits.range_high, Pen(LIMIT, 0.8, "4 2"))
    return drawing.svg()
