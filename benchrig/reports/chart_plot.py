"""The chart of one characteristic: values with limits and weighted average; below, the moving ranges."""

from __future__ import annotations

import numpy as np

from benchrig.reports.chart_words import Charted, count
from benchrig.reports.drawing import FIT, INK, LIMIT, MEASURED
from benchrig.reports.figures import new_figure, plain_axes, svg_of
from benchrig.reports.words import unit_text

__all__ = ["chart_svg"]

_BAD = "#a8360f"


def chart_svg(each: Charted) -> str:
    """Draw it; empty when there is no chart. The baseline is shaded, broken rules are ringed."""
    drawn = each.chart
    if drawn is None:
        return ""
    limits = drawn.limits
    at = np.arange(1, len(drawn.values) + 1)
    figure = new_figure(256, 152)
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(2.6, 1.0))
    figure.subplots_adjust(left=0.2, right=0.985, top=0.975, bottom=0.2, hspace=0.14)
    plain_axes(above, y=unit_text(each.unit))
    plain_axes(below, x="run of the check valve", y="range")
    for axes in (above, below):
        axes.axvspan(0.5, limits.baseline + 0.5, color="#eef1f3", linewidth=0)
    for level, style in ((limits.high, (4, 2)), (limits.low, (4, 2)), (limits.centre, (1, 0))):
        above.axhline(level, color=LIMIT, linewidth=0.8, dashes=style)
    above.plot(at, drawn.values, "-o", color=MEASURED, linewidth=0.7, markersize=2.3, markeredgewidth=0)
    judged = np.isfinite(drawn.average)
    above.plot(at[judged], drawn.average[judged], color=FIT, linewidth=1.2)
    for edge in (drawn.average_low, drawn.average_high):
        above.plot(at[judged], edge[judged], color=FIT, linewidth=0.6, dashes=(2, 2))
    hit = sorted({signal.at for signal in drawn.signals})
    above.plot(at[hit], drawn.values[hit], "o", color="none", markeredgecolor=_BAD, markersize=5.5, markeredgewidth=0.9)
    odd = list(each.odd_in_baseline)
    above.plot(
        at[odd], drawn.values[odd], "s", color="none", markeredgecolor="#7a8790", markersize=5.5, markeredgewidth=0.9
    )
    below.plot(at, drawn.moving_ranges, "-", color=INK, linewidth=0.7)
    below.axhline(limits.range_high, color=LIMIT, linewidth=0.8, dashes=(4, 2))
    below.set_ylim(bottom=0)
    for axes in (above, below):
        axes.yaxis.get_major_formatter().set_useOffset(False)
    above.set_xlim(0.5, 1.02 * len(at) + 1)
    for axes in (above, below):
        axes.yaxis.set_label_coords(-0.19, 0.5)
    described = (
        f"{each.title}: {count(len(at), 'value')}, {len(hit)} with a broken rule, limits {each.number(limits.low)} to "
        f"{each.number(limits.high)} {unit_text(each.unit)}".rstrip()
    )
    return svg_of(figure, name=f"chart {each.name}", described=described)
