"""The square code of pages and labels (QR, ISO/IEC 18004), in whole dots of the usual label printer."""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["SquareCode", "square_code"]

QUIET = 4
"""So many squares on all sides of the code stay white (ISO/IEC 18004)."""
DOT_MM = 25.4 / 203
"""Of the usual label printer, 203 to the inch: no square is split."""


class SquareCode(NamedTuple):
    """A code: its SVG, whose size is left to the page, and how wide it has to be with its white rim."""

    svg: str
    width_mm: float


def square_code(says: str, dots: int) -> SquareCode:
    """Draw a code with so many dots to a square: four on a label, 0.5 mm; three are enough on a page."""
    import segno

    code = segno.make(says, error="m", micro=False)
    svg = code.svg_inline(border=QUIET, omitsize=True, lineclass=None)
    return SquareCode(svg, code.symbol_size(border=QUIET)[0] * dots * DOT_MM)
