"""Matplotlib, held small: figures without pyplot, our own ticks, and SVG that is the same bytes every time."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, NullFormatter, NullLocator

from benchrig.analysis.results import Samples

__all__ = ["FIT", "GRID", "INK", "LIMIT", "MEASURED", "MOST_POINTS", "add_axes", "picked", "style", "svg_text", "ticks"]

# Colours that stay apart for every kind of colour vision (after Okabe and Ito, from memory); each line also differs by
# its dashes or by a word beside it.
MEASURED, FIT, LIMIT = "#0b5f8a", "#c2550a", "#5b4a78"
INK, GRID = "#26343d", "#d9dfe3"

MOST_POINTS = 600
"""A line on paper shows no more."""

_STYLE: dict[Any, Any] = {
    "svg.fonttype": "path",
    "font.family": "DejaVu Sans",
    "font.size": 7.5,
    "text.parse_math": False,
    "axes.linewidth": 0.6,
    "hatch.linewidth": 0.5,
    "path.simplify": True,
    "path.simplify_threshold": 0.25,
}


@contextmanager
def style(salt: str) -> Iterator[None]:
    """Our settings, and the salt that makes names inside the SVG the same every time."""
    with mpl.rc_context(_STYLE | {"svg.hashsalt": salt}):
        yield


def picked(x: Samples, y: Samples, most: int = MOST_POINTS) -> tuple[Samples, Samples]:
    """Take evenly spaced samples, at most so many; the samples themselves are not changed.

    Examples
    --------
    >>> x = np.arange(1000.0)
    >>> len(picked(x, x, most=300)[0])
    250
    """
    step = max(1, math.ceil(len(x) / most))
    return x[::step], y[::step]


def ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round numbers from `low` to `high`, about so many.

    Examples
    --------
    >>> ticks(0.0, 31.0)
    [0.0, 10.0, 20.0, 30.0]
    """
    span = high - low
    if not (math.isfinite(span) and span > 0):
        return [low]
    rough = span / about
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(k * step, 12) for k in range(first, last + 1)]


def add_axes(
    figure: Figure,
    place: tuple[float, float, float, float],
    x: tuple[float, float],
    y: tuple[float, float],
    *,
    x_label: str = "",
    y_label: str = "",
    x_about: int = 6,
    y_about: int = 4,
) -> Any:
    """Add axes with round ticks, a light grid and no box."""
    axes = figure.add_axes(place)
    axes.set_xlim(*x)
    axes.set_ylim(*y)
    for axis, (low, high), about in ((axes.xaxis, x, x_about), (axes.yaxis, y, y_about)):
        at = ticks(low, high, about)
        axis.set_major_locator(FixedLocator(at))
        axis.set_major_formatter(FixedFormatter([f"{value:.10g}" for value in at]))
        axis.set_minor_locator(NullLocator())
        axis.set_minor_formatter(NullFormatter())
    axes.tick_params(length=2.5, width=0.6, color=INK, labelcolor=INK, pad=2)
    axes.grid(visible=True, color=GRID, linewidth=0.5)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(INK)
    axes.set_xlabel(x_label, color=INK, labelpad=2)
    axes.set_ylabel(y_label, color=INK, labelpad=3)
    return axes


def svg_text(figure: Figure, name: str, described: str) -> str:
    """The figure as an ``<svg>`` element for the middle of a page.

    Names inside are made unique by the figure's name, width is left to the page, and metadata with foreign addresses
    is taken out.
    """
    out = io.StringIO()
    figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = out.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, count=1, flags=re.DOTALL)
    text = re.sub(r'\bid="', f'id="{name}-', text)
    text = re.sub(r'xlink:href="#', f'xlink:href="#{name}-', text)
    text = re.sub(r"url\(#", f"url(#{name}-", text)
    box = re.search(r'viewBox="[^"]*"', text)
    if box is None:
        raise ValueError("an SVG without a viewBox")
    head = (
        f'<svg class="plot" role="img" aria-label="{_attribute(described)}" {box.group()} '
        'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink">'
    )
    return head + text[text.index(">") + 1 :].strip()


def _attribute(text: str) -> str:
    return text.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;")


def span(*groups: Samples | Sequence[float], room: float = 0.06) -> tuple[float, float]:
    """Least and greatest of all finite values, with a little room on both sides."""
    values = np.concatenate([np.asarray(group, dtype=np.float64).ravel() for group in groups])
    values = values[np.isfinite(values)]
    if not len(values):
        return 0.0, 1.0
    low, high = float(values.min()), float(values.max())
    extra = room * (high - low) if high > low else 0.5
    return low - extra, high + extra
