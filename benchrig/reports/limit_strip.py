"""The small strip in the table: where the value lies against its limit, drawn so that nobody has to compare numbers."""

from __future__ import annotations

from markupsafe import escape

from benchrig.analysis.results import Characteristic
from benchrig.reports.formatting import COVERAGE
from benchrig.verdict.judgement import Limit

__all__ = ["limit_strip_svg"]

WIDTH, MIDDLE = 100.0, 7.0
EDGE = 5.0
"""A mark never comes closer to the ends than this."""
BEYOND = 1.6
"""A strip with one limit ends at so many times the limit (an upper one), or at this plus 0.6 (a lower one)."""


def limit_strip_svg(each: Characteristic | None, limit: Limit | None, *, good: bool, described: str = "") -> str:
    """Draw one strip as an ``<svg>`` element, or nothing where there is no limit to draw.

    The bar is what is allowed; the round mark (or the pointed one, when `good` is false) is the value, the line
    through it the expanded uncertainty. A value beyond the end of the strip is an arrow at the end. `described` is what
    it says to those who cannot see it.
    """
    if limit is None:
        return ""
    scale = _scale(limit)
    if scale is None:
        return ""
    start, end = scale

    def x(value: float) -> float:
        return WIDTH * (value - start) / (end - start)

    low_x = 0.0 if limit.low is None else x(limit.low)
    high_x = WIDTH if limit.high is None else x(limit.high)
    parts = [
        f'<path class="rail" d="M0 {MIDDLE:g}H{WIDTH:g}"/>',
        f'<rect class="allowed" x="{low_x:.1f}" y="3.5" width="{high_x - low_x:.1f}" height="7"/>',
        *(
            f'<path class="bound" d="M{at:.1f} 1.5V12.5"/>'
            for at, side in _ends(limit, low_x, high_x)
            if side is not None
        ),
    ]
    if each is not None and each.value is not None:
        at = x(each.value)
        tone = "good" if good else "bad"
        near = min(max(at, EDGE), WIDTH - EDGE)
        if each.bound or not start <= each.value <= end:
            to_right = each.bound == "above" or (not each.bound and at > WIDTH / 2)
            parts.append(_arrow(near, to_right=to_right, tone=tone))
        else:
            if each.u is not None:
                left, right = (min(max(x(each.value + k * each.u), 0.0), WIDTH) for k in (-COVERAGE, COVERAGE))
                parts.append(f'<path class="whisker {tone}" d="M{left:.1f} {MIDDLE:g}H{right:.1f}"/>')
            parts.append(_mark(near, tone=tone))
    told = f'role="img" aria-label="{escape(described)}"' if described else 'aria-hidden="true"'
    return f'<svg class="strip" viewBox="0 0 {WIDTH:g} 14" {told}>{"".join(parts)}</svg>'


def _scale(limit: Limit) -> tuple[float, float] | None:
    """Values at the left and right end; None when the limit gives no scale (open, or not positive)."""
    low, high = limit.low, limit.high
    if low is not None and high is not None:
        room = 0.4 * (high - low)
        return (low - room, high + room) if room > 0 else None
    if high is not None:
        return (0.0, BEYOND * high) if high > 0 else None
    if low is not None:
        return (0.0, (BEYOND + 0.6) * low) if low > 0 else None
    return None


def _ends(limit: Limit, low_x: float, high_x: float) -> tuple[tuple[float, float | None], ...]:
    return (low_x, limit.low), (high_x, limit.high)


def _mark(at: float, *, tone: str) -> str:
    if tone == "good":
        return f'<circle class="mark good" cx="{at:.1f}" cy="{MIDDLE:g}" r="4"/>'
    return f'<path class="mark bad" d="M{at:.1f} 1.500l5.5 5.5-5.5 5.5-5.5-5.5z"/>'


def _arrow(at: float, *, to_right: bool, tone: str) -> str:
    side = 1 if to_right else -1
    return f'<path class="mark {tone}" d="M{at + 4 * side:.1f} {MIDDLE:g}l{-8 * side} -4.5v9z"/>'
