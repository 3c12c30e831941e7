"""Figures by Matplotlib as SVG text for the middle of a page: the same figure always gives the same bytes.

Matplotlib is imported when a figure is drawn, never before; its state-keeping interface is not used. The text stays
text, in the page's own fonts.
"""

from __future__ import annotations

import io
from html import escape
from typing import TYPE_CHECKING

from benchrig.reports.drawing import GRID, INK

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["WORDS_PT", "new_figure", "plain_axes", "svg_of"]

WORDS_PT = 7.7
"""Printed at least as large as drawn: nothing on paper is under 7.5 pt."""


def new_figure(width_pt: float, height_pt: float) -> Figure:
    """An empty figure of so many points.

    Its axes are to be placed by fixed parts: a layout that measures words first is not the same to the last bit.
    """
    from matplotlib.figure import Figure

    return Figure(figsize=(width_pt / 72, height_pt / 72))


def plain_axes(axes: Axes, *, title: str = "", x: str = "", y: str = "") -> None:
    """Quiet frame, light lines across, small words."""
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color("#9aa5ac")
    axes.grid(axis="y", color=GRID, linewidth=0.5)
    axes.set_axisbelow(True)
    axes.tick_params(labelsize=WORDS_PT, length=2.5, width=0.6, color="#9aa5ac", labelcolor=INK)
    axes.set_title(title, fontsize=WORDS_PT, color=INK, loc="left", pad=5)
    axes.set_xlabel(x, fontsize=WORDS_PT, color=INK)
    axes.set_ylabel(y, fontsize=WORDS_PT, color=INK)


def svg_of(figure: Figure, *, name: str, described: str) -> str:
    """The figure as one SVG element.

    Parameters
    ----------
    figure : Figure
        Finished.
    name : str
        Not used twice on a page: the names inside the picture are made from it.
    described : str
        What the picture shows, for those who cannot see it.
    """
    import matplotlib

    settings = {"svg.hashsalt": name, "svg.fonttype": "none", "font.family": "sans-serif", "font.size": WORDS_PT}
    text = io.StringIO()
    with matplotlib.rc_context(settings):  # type: ignore[arg-type]  # the stubs list the names of settings one by one
        figure.savefig(text, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    svg = text.getvalue()
    svg = svg[svg.index("<svg ") :]
    return svg.replace("<svg ", f'<svg class="plot" role="img" aria-label="{escape(described)}" ', 1)
