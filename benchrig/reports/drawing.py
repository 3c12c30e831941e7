"""Small line drawings as SVG text: axes with round ticks, lines, bands, marks, words.

Written out by hand, without a plotting library: importing one takes longer than the whole run on the simulated bench
(Matplotlib 3.11: 0.55 s for three figures, 0.4 s of it import; this: under 0.02 s), and the same record has to make the
same bytes whatever version is installed. Lengths are in points of 1/72 inch; y runs downwards, as in SVG.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import escape  # the templates' own; html.escape would cost 10 ms of importing

from benchrig.analysis.results import Samples

__all__ = ["FIT", "INK", "LIMIT", "MEASURED", "Axes", "Drawing", "Pen", "alike", "picked", "span", "ticks"]

# Colours that stay apart for every kind of colour vision (after Okabe and Ito, from memory); each line also differs by
# its dashes or by a word beside it.
MEASURED, FIT, LIMIT = "#0b5f8a", "#c2550a", "#5b4a78"
INK, GRID = "#26343d", "#d9dfe3"

MOST_POINTS = 600
"""A line on paper shows no more."""
SMALL_PT, WORDS_PT = 7.6, 7.7
"""Printed at least as large as drawn: nothing on paper is under 7.5 pt."""
WIDE_EM = 0.56
"""Mean width of a letter in the widest of the usual fonts, in parts of its size (DejaVu Sans, measured)."""


@dataclass(frozen=True)
class Pen:
    """How a line is drawn: colour, width in points, dashes as SVG writes them, opacity."""

    colour: str
    width_pt: float = 1.0
    dashes: str = ""
    opacity: float = 1.0

    @property
    def attributes(self) -> str:
        """As attributes of an SVG element."""
        dashes = f' stroke-dasharray="{self.dashes}"' if self.dashes else ""
        opacity = f' stroke-opacity="{self.opacity:g}"' if self.opacity < 1 else ""
        return f'fill="none" stroke="{self.colour}" stroke-width="{self.width_pt:g}"{dashes}{opacity}'


def picked(x: Samples, y: Samples, most: int = MOST_POINTS) -> tuple[Samples, Samples]:
    """Take evenly spaced samples, at most so many; the samples themselves are not changed. Gaps (NaN) are left out.

    Examples
    --------
    >>> x = np.arange(1000.0)
    >>> len(picked(x, x, most=300)[0])
    250
    """
    there = np.isfinite(x) & np.isfinite(y)
    x, y = x[there], y[there]
    step = max(1, math.ceil(len(x) / most))
    return x[::step], y[::step]


def span(*groups: Samples | Sequence[float], room: float = 0.06) -> tuple[float, float]:
    """Least and greatest of all finite values, with a little room on both sides.

    Examples
    --------
    >>> span([1.0, 3.0], room=0.5), span([2.0])
    ((0.0, 4.0), (1.5, 2.5))
    """
    values = np.concatenate([np.asarray(group, dtype=np.float64).ravel() for group in groups])
    values = values[np.isfinite(values)]
    if not len(values):
        return 0.0, 1.0
    low, high = float(values.min()), float(values.max())
    extra = room * (high - low) if high > low else 0.5
    return low - extra, high + extra


def ticks(low: float, high: float, about: int = 5) -> list[float]:
    """Round numbers from `low` to `high`, about so many.

    Examples
    --------
    >>> ticks(0.0, 31.0)
    [0.0, 10.0, 20.0, 30.0]
    """
    width = high - low
    if not (math.isfinite(width) and width > 0):
        return [low]
    rough = width / about
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(k * step, 12) + 0.0 for k in range(first, last + 1)]


def alike(values: Sequence[float]) -> list[str]:
    """Numbers beside an axis, all with as many places as the longest needs.

    Examples
    --------
    >>> alike([24.6, 24.8, 25.0]), alike([0.0, 1e-7])
    (['24.6', '24.8', '25.0'], ['0', '1e-07'])
    """
    said = [f"{value:.10g}" for value in values]
    if any("e" in each for each in said):
        return said
    places = max((len(each.partition(".")[2]) for each in said), default=0)
    return [f"{value:.{places}f}" for value in values]


class Drawing:
    """One picture of so many points wide and high, for the middle of an HTML page."""

    def __init__(self, width_pt: float, height_pt: float, described: str) -> None:
        self.width_pt, self.height_pt = width_pt, height_pt
        self._described = described
        self._axes: list[Axes] = []

    def axes(
        self,
        place: tuple[float, float, float, float],
        x: tuple[float, float],
        y: tuple[float, float],
        *,
        x_label: str = "",
        y_label: str = "",
        about: tuple[int, int] = (6, 4),
        small: bool = False,
        numbers: bool = True,
        x_numbers: bool = True,
        label_pt: float = 25.0,
    ) -> Axes:
        """Add axes: left, top, width and height in points, and the ranges of values that they show.

        `label_pt` is how far left of the frame the label of y stands: beyond the widest number.
        """
        self._axes.append(Axes(place, x, y, x_label, y_label, about, small, numbers, x_numbers, label_pt))
        return self._axes[-1]

    def svg(self) -> str:
        """The whole picture; its width is left to the page."""
        return (
            f'<svg class="plot" role="img" aria-label="{escape(self._described)}" '
            f'viewBox="0 0 {self.width_pt:g} {self.height_pt:g}" xmlns="http://www.w3.org/2000/svg" '
            f'font-size="{WORDS_PT:g}" fill="{INK}">{"".join(axes.svg() for axes in self._axes)}</svg>'
        )


class Axes:
    """A frame with ticks in which values are drawn. What lies outside the frame is cut off; words are not."""

    def __init__(
        self,
        place: tuple[float, float, float, float],
        x: tuple[float, float],
        y: tuple[float, float],
        x_label: str,
        y_label: str,
        about: tuple[int, int],
        small: bool,
        numbers: bool,
        x_numbers: bool,
        label_pt: float,
    ) -> None:
        self.left, self.top, self.width, self.height = place
        self.x, self.y = x, y
        self._labels = (x_label, y_label)
        self._about = about
        self._size_pt = SMALL_PT if small else WORDS_PT
        self._numbers = numbers
        self._x_numbers = x_numbers
        self._label_pt = label_pt
        self._inside: list[str] = []
        self._outside: list[str] = []

    # -- from values to points, inside the frame

    def _x(self, value: float) -> float:
        return self.width * (value - self.x[0]) / (self.x[1] - self.x[0])

    def _y(self, value: float) -> float:
        return self.height * (self.y[1] - value) / (self.y[1] - self.y[0])

    def place_of(self, x: Samples, y: Samples) -> tuple[Samples, Samples]:
        """Where points lie in the whole drawing, in points from its top left corner."""
        right = self.left + self.width * (x - self.x[0]) / (self.x[1] - self.x[0])
        return right, self.top + self.height * (self.y[1] - y) / (self.y[1] - self.y[0])

    # -- drawing

    def line(self, x: Samples, y: Samples, pen: Pen) -> None:
        """A line through all points."""
        if len(x):
            self._inside.append(f'<path d="{self._path(x, y)}" {pen.attributes}/>')

    def band(self, from_x: float, to_x: float, colour: str, opacity: float) -> None:
        """An upright band over the whole height."""
        left, right = self._x(from_x), self._x(to_x)
        self._inside.append(
            f'<rect x="{left:.1f}" y="0" width="{max(right - left, 0.0):.1f}" height="{self.height:g}" '
            f'fill="{colour}" fill-opacity="{opacity:g}"/>'
        )

    def upright(self, x: float, pen: Pen) -> None:
        """An upright line over the whole height."""
        self._inside.append(f'<path d="M{self._x(x):.1f} 0V{self.height:g}" {pen.attributes}/>')

    def level(self, y: float, pen: Pen) -> None:
        """A level line over the whole width."""
        self._inside.append(f'<path d="M0 {self._y(y):.1f}H{self.width:g}" {pen.attributes}/>')

    def dots(self, x: Sequence[float], y: Sequence[float], colour: str) -> None:
        """Round marks with a white rim."""
        look = f'r="1.7" fill="{colour}" stroke="#fff" stroke-width=".5"'
        self._inside += [
            f'<circle cx="{self._x(a):.1f}" cy="{self._y(b):.1f}" {look}/>' for a, b in zip(x, y, strict=True)
        ]

    def beads(self, x: Samples, y: Samples, colour: str, across_pt: float) -> None:
        """Round marks without a rim, as one element however many they are."""
        path = "".join(f"M{a:.5g} {b:.5g}h0" for a, b in self._points(x, y))
        if path:
            self._inside.append(f'<path d="{path}" {Pen(colour, across_pt).attributes} stroke-linecap="round"/>')

    def rings(self, x: Samples, y: Samples, pen: Pen, radius_pt: float) -> None:
        """Empty circles, as one element."""
        r = f"{radius_pt:g}"
        path = "".join(
            f"M{a - radius_pt:.5g} {b:.5g}a{r} {r} 0 1 0 {2 * radius_pt:g} 0a{r} {r} 0 1 0 {-2 * radius_pt:g} 0"
            for a, b in self._points(x, y)
        )
        if path:
            self._inside.append(f'<path d="{path}" {pen.attributes}/>')

    def squares(self, x: Samples, y: Samples, pen: Pen, side_pt: float) -> None:
        """Empty squares, as one element."""
        path = "".join(
            f"M{a - side_pt / 2:.5g} {b - side_pt / 2:.5g}h{side_pt:g}v{side_pt:g}h{-side_pt:g}Z"
            for a, b in self._points(x, y)
        )
        if path:
            self._inside.append(f'<path d="{path}" {pen.attributes}/>')

    def words(
        self, at: tuple[float, float], text: str, colour: str = INK, *, anchor: str = "start", size_pt: float = SMALL_PT
    ) -> None:
        """Words at parts of the frame: (0, 0) is its top left corner, (1, 1) its bottom right."""
        self._outside.append(_text(at[0] * self.width, at[1] * self.height, text, anchor, size_pt, colour))

    def words_at(self, x: float, down: float, text: str, colour: str = INK, *, anchor: str = "start") -> None:
        """Words at a value of x, and at a part of the height from the top."""
        self.words((self._x(x) / self.width, down), text, colour, anchor=anchor)

    def legend(self, entries: Sequence[tuple[str, Pen]]) -> None:
        """What each line means, in a row above the frame, where no line can run."""
        at, y = 0.0, -5.0
        for text, pen in entries:
            self._outside.append(f'<path d="M{at:.1f} {y - 2.5:.1f}h14" {pen.attributes}/>')
            self._outside.append(_text(at + 17, y, text, "start", SMALL_PT, INK))
            at += 17 + WIDE_EM * SMALL_PT * len(text) + 9

    # -- as text

    def svg(self) -> str:
        """Grid, what was drawn, frame, numbers and labels."""
        x_ticks, y_ticks = ticks(*self.x, self._about[0]), ticks(*self.y, self._about[1])
        grid = "".join(f"M{self._x(at):.1f} 0V{self.height:g}" for at in x_ticks)
        grid += "".join(f"M0 {self._y(at):.1f}H{self.width:g}" for at in y_ticks)
        marks = "".join(f"M{self._x(at):.1f} {self.height:g}v2.5" for at in x_ticks)
        marks += "".join(f"M0 {self._y(at):.1f}h-2.5" for at in y_ticks)
        parts = [
            f'<path d="{grid}" {Pen(GRID, 0.5).attributes}/>',
            f'<svg width="{self.width:g}" height="{self.height:g}" overflow="hidden">{"".join(self._inside)}</svg>',
            f'<path d="M0 0V{self.height:g}H{self.width:g}{marks}" {Pen(INK, 0.6).attributes}/>',
            *self._words(x_ticks, y_ticks),
            *self._outside,
        ]
        return f'<g transform="translate({self.left:g} {self.top:g})">{"".join(parts)}</g>'

    def _words(self, x_ticks: list[float], y_ticks: list[float]) -> list[str]:
        size_pt = self._size_pt
        below = self.height + 4 + size_pt
        said = []
        if self._x_numbers:
            said += [_text(self._x(at), below, f"{at:.10g}", "middle", size_pt) for at in x_ticks]
        if self._numbers:
            said += [
                _text(-4.5, self._y(at) + 0.36 * size_pt, number, "end", size_pt)
                for at, number in zip(y_ticks, alike(y_ticks), strict=True)
            ]
        x_label, y_label = self._labels
        if x_label:
            said.append(_text(self.width / 2, below + 1.4 * size_pt, x_label, "middle", size_pt))
        if y_label:
            turned = _text(0, 0, y_label, "middle", size_pt)
            said.append(f'<g transform="translate({-self._label_pt:g} {self.height / 2:.1f}) rotate(-90)">{turned}</g>')
        return said

    def _points(self, x: Samples, y: Samples) -> list[list[float]]:
        points: list[list[float]] = np.round(np.column_stack([self._x_all(x), self._y_all(y)]), 1).tolist()
        return points

    def _path(self, x: Samples, y: Samples) -> str:
        points = np.round(np.column_stack([self._x_all(x), self._y_all(y)]), 1)
        # A point between two of the same height says nothing; far outside the frame it only makes numbers long.
        points = np.clip(points, -1e4, 1e4)
        level = (points[1:-1, 1] == points[:-2, 1]) & (points[1:-1, 1] == points[2:, 1])
        keep = np.concatenate([[True], ~level, [True]])[: len(points)]
        return "M" + "L".join(f"{a:.5g} {b:.5g}" for a, b in points[keep].tolist())

    def _x_all(self, x: Samples) -> Samples:
        return np.asarray(self.width * (x - self.x[0]) / (self.x[1] - self.x[0]), dtype=np.float64)

    def _y_all(self, y: Samples) -> Samples:
        return np.asarray(self.height * (self.y[1] - y) / (self.y[1] - self.y[0]), dtype=np.float64)


def _text(x: float, y: float, text: str, anchor: str, size_pt: float, colour: str = INK) -> str:
    fill = f' fill="{colour}"' if colour != INK else ""
    size = f' font-size="{size_pt:g}"' if size_pt != WORDS_PT else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{size}{fill}>{escape(text)}</text>'
