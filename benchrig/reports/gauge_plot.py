"""The picture of one studied characteristic: shares of the variation, values by part, ranges by part."""

from __future__ import annotations

from benchrig.reports.drawing import INK, LIMIT
from benchrig.reports.figures import SERIES, new_figure, plain_axes, svg_of
from benchrig.reports.gauge_words import Studied
from benchrig.reports.words import unit_text

__all__ = ["gauge_svg"]

_MANY = 12
"""More parts than this: not every one gets its name below the axis."""


def gauge_svg(each: Studied) -> str:
    """Draw it. Empty when there is nothing to draw.

    Left, each component's share of the study variation; middle, every value by part, a mark for each operator, and
    lines through their means: lines that run together mean that the operators agree; right, the range of each
    operator's repeats with the upper control limit.
    """
    study, table, ranges = each.study, each.table, each.ranges
    if study is None or table is None or ranges is None:
        return ""
    figure = new_figure(560, 168)
    bars, values, spreads = figure.subplots(1, 3, width_ratios=(1.0, 2.1, 1.3))
    figure.subplots_adjust(left=0.045, right=0.995, top=0.89, bottom=0.2, wspace=0.2)
    names = ("GRR", "EV", "AV", "PV") if len(table.operators) > 1 else ("EV", "PV")
    shares = [study.components[name].study_percent for name in names]
    plain_axes(bars, title="Share of the study variation, %")
    colours = [INK if name == "GRR" else "#6d8a9a" if name != "PV" else "#c9d3d9" for name in names]
    bars.bar(names, shares, color=colours, width=0.62)
    bars.set_ylim(0, 112)
    for at, share in enumerate(shares):
        bars.annotate(
            f"{share:.1f}",
            (at, share),
            (0, 2),
            textcoords="offset points",
            ha="center",
            fontsize=7,
            color=INK,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6},
        )
    for level in (10, 30):
        bars.axhline(level, color=LIMIT, linewidth=0.7, dashes=(4, 2), zorder=1.5)

    places = list(range(len(table.parts)))
    every = max(1, -(-len(places) // _MANY))
    for axes, title in (
        (values, f"Values by part, {unit_text(each.unit)}".rstrip(", ")),
        (spreads, "Ranges of repeats"),
    ):
        plain_axes(axes, title=title, x="part")
        axes.set_xticks(places[::every], [_short(name) for name in table.parts[::every]])
    for number, operator in enumerate(table.operators):
        colour, mark = SERIES[number % len(SERIES)]
        aside = 0.0 if len(table.operators) == 1 else 0.36 * (number / (len(table.operators) - 1) - 0.5)
        own = table.values[:, number, :]
        values.plot(
            [a + aside for a in places], own.mean(axis=1), color=colour, linewidth=0.9, label=_short(operator, 14)
        )
        for trial in range(table.trials):
            values.plot(
                [a + aside for a in places],
                own[:, trial],
                mark,
                color=colour,
                markersize=2.8,
                markeredgewidth=0,
                alpha=0.75,
            )
        spreads.plot(
            [a + aside for a in places],
            own.max(axis=1) - own.min(axis=1),
            mark,
            color=colour,
            markersize=3,
            markeredgewidth=0,
        )
    if len(table.operators) > 1:
        values.legend(
            fontsize=6.5,
            frameon=False,
            ncols=min(4, len(table.operators)),
            loc="lower right",
            title="operator",
            title_fontsize=6.5,
            borderpad=0.1,
            handlelength=1.2,
            columnspacing=0.9,
        )
        low, high = values.get_ylim()
        values.set_ylim(low - 0.22 * (high - low), high)
    spreads.axhline(ranges.range_limit, color=LIMIT, linewidth=0.8, dashes=(4, 2))
    spreads.set_ylim(0, 1.12 * max(ranges.range_limit, spreads.get_ylim()[1]))
    spreads.annotate(
        "upper limit",
        (len(places) - 1, ranges.range_limit),
        (0, 2),
        textcoords="offset points",
        ha="right",
        fontsize=6.5,
        color=LIMIT,
    )
    described = (
        f"{each.title}: repeatability and reproducibility take {study.components['GRR'].study_percent:.1f} per cent of "
        "the study variation"
    )
    return svg_of(figure, name=f"study {each.name}", described=described)


def _short(name: str, most: int = 6) -> str:
    # A dollar sign would begin a formula.
    text = name if len(name) <= most else f"{name[: most - 1]}…"
    return text.replace("$", r"\$")
