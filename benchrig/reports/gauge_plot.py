"""The picture of one studied characteristic: part against bench.

A line for each part with every value measured on it, a mark for each operator; below, to the same scale, how wide the
bench is (six standard deviations of GRR), how wide the parts are, and, where it is known, how wide the tolerance.
"""

from __future__ import annotations

from benchrig.analysis.studies.gauge_study import STUDY_SIGMAS
from benchrig.reports.drawing import FIT, GRID, INK, LIMIT, MEASURED
from benchrig.reports.figures import WORDS_PT, new_figure, plain_axes, svg_of
from benchrig.reports.formatting import unit_text
from benchrig.reports.gauge_words import Studied

__all__ = ["OPERATOR_MARKS", "gauge_svg", "mark_svg"]

WIDTH_PT = 256.0
"""Half a printed A4 sheet."""
FAR_WIDER = 12.0
MOST_NAMED = 14
"""More parts than this: not every one gets its name."""
OPERATOR_MARKS = (("o", MEASURED), ("s", "white"), ("^", INK), ("D", "white"), ("v", FIT), ("P", INK), ("X", "white"))
"""Shape and filling of each operator's marks: told apart without colour."""


def gauge_svg(each: Studied) -> str:
    """Draw it. Empty when there is nothing to draw."""
    study, table = each.study, each.table
    if study is None or table is None:
        return ""
    order = table.values.mean(axis=(1, 2)).argsort()
    step_pt = 12.0 if len(order) <= MOST_NAMED else max(3.0, 182.0 / len(order))
    widths = [("bench", STUDY_SIGMAS * study.components["GRR"].sd, INK)]
    widths += [("parts", STUDY_SIGMAS * study.components["PV"].sd, "#9fb0ba")]
    widest = max(width for _, width, _ in widths)
    if each.tolerance is not None:
        widths.append(("tolerance", each.tolerance, LIMIT))
        # One many times as wide would leave nothing to see of bench and parts: it runs out of the frame.
        widest = max(each.tolerance, widest) if each.tolerance < FAR_WIDER * widest else widest
    parts_pt, bars_pt = step_pt * len(order) + 8, 11.0 * len(widths) + 8
    tall_pt = parts_pt + bars_pt + 46
    figure = new_figure(WIDTH_PT, tall_pt)
    left, wide = 52 / WIDTH_PT, (WIDTH_PT - 60) / WIDTH_PT
    above = figure.add_axes((left, (bars_pt + 42) / tall_pt, wide, parts_pt / tall_pt))
    below = figure.add_axes((left, 12 / tall_pt, wide, bars_pt / tall_pt))

    plain_axes(above, x=unit_text(each.unit))
    above.grid(axis="x", color=GRID, linewidth=0.5)
    every = max(1, -(-len(order) // MOST_NAMED))
    above.set_yticks(list(range(0, len(order), every)), [_short(table.parts[part]) for part in order[::every]])
    above.set_ylim(-0.85, len(order) - 0.15)
    above.ticklabel_format(axis="x", useOffset=False)
    above.locator_params(axis="x", nbins=5)
    above.xaxis.labelpad = 1
    for row, part in enumerate(order):
        values = table.values[part]
        above.plot([values.min(), values.max()], [row, row], color="#9fb0ba", linewidth=1.0, zorder=1.5)
        for number in range(len(table.operators)):
            mark, filling = OPERATOR_MARKS[number % len(OPERATOR_MARKS)]
            aside = 0.0 if len(table.operators) == 1 else 0.44 * (number / (len(table.operators) - 1) - 0.5)
            above.plot(
                values[number],
                [row + aside] * table.trials,
                mark,
                color=filling,
                markersize=3.4,
                markeredgewidth=0.7,
                markeredgecolor=INK,
                zorder=2.5,
            )

    plain_axes(below)
    below.grid(visible=False)
    below.spines["bottom"].set_visible(False)
    below.set_xticks([])
    below.set_yticks(range(len(widths)), [name for name, _, _ in widths])
    below.tick_params(left=False)
    below.set_ylim(len(widths) - 0.45, -0.55)
    for row, (_, width, colour) in enumerate(widths):
        out = width > 1.01 * widest
        below.barh(row, max(width, 0.004 * widest), height=0.7 if out else 0.55, color=colour)
        below.annotate(
            f"{width:.3g}: runs off the picture" if out else f"{width:.2g}",
            (0 if out else width, row),
            (3, 0),
            textcoords="offset points",
            va="center",
            fontsize=WORDS_PT,
            color="white" if out else INK,
        )
    below.set_xlim(0, 1.22 * widest)
    said = f"six standard deviations, {unit_text(each.unit)}".rstrip(", ")
    below.set_xlabel(said, fontsize=WORDS_PT, color=INK, loc="left", labelpad=1)
    described = (
        f"{each.title}: {len(order)} parts with every value measured on them; the bench is {widths[0][1]:.2g} "
        f"{unit_text(each.unit)} wide, the parts {widths[1][1]:.2g}"
    )
    return svg_of(figure, name=f"study {each.name}", described=described)


def mark_svg(number: int) -> str:
    """An operator's mark for the legend of the page."""
    mark, filling = OPERATOR_MARKS[number % len(OPERATOR_MARKS)]
    shape = {
        "o": '<circle cx="6" cy="6" r="4"/>',
        "s": '<path d="M2 2h8v8H2z"/>',
        "^": '<path d="M6 1.500L11 10H1z"/>',
        "v": '<path d="M6 10.500L11 2H1z"/>',
        "D": '<path d="M6 1l5 5-5 5-5-5z"/>',
        "P": '<path d="M4 1h4v3h3v4H8v3H4V8H1V4h3z"/>',
        "X": '<path d="M3 1l3 3 3-3 2 2-3 3 3 3-2 2-3-3-3 3-2-2 3-3-3-3z"/>',
    }[mark]
    return (
        f'<svg class="mark-of" viewBox="0 0 12 12" aria-hidden="true" fill="{filling}" stroke="{INK}" '
        f'stroke-width="1.2">{shape}</svg>'
    )


def _short(name: str, most: int = 9) -> str:
    # A dollar sign would begin a formula.
    text = name if len(name) <= most else f"{name[: most - 1]}…"
    return text.replace("$", r"\$")
