"""The clicks as a picture: the current of all pulses laid over each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchrig.analysis.results import Trace
from benchrig.records.run_record import RunRecord
from benchrig.reports.drawing import FIT, LIMIT, MEASURED, Drawing, Pen, picked, span
from benchrig.reports.lookups import limit_of

__all__ = ["clicks_svg"]

WHOLE_PT, HEIGHT_PT = 526.0, 146.0
"""The width of a printed A4 sheet, and the height where nothing else is wanted."""
MOST_POINTS = 260
LEAST_MS = 30.0
MARK_ABOVE_PT, LIMIT_BELOW_PT = 4.0, 12.5
"""Where words stand above and below the frame's upper edge, however low the picture is."""
LABEL_PT = 70.0
"""In a lower frame the label of the current has no room at full length."""
BEFORE = 0.06
"""So much of the picture lies before the switch."""


@dataclass(frozen=True)
class _Side:
    """One half of the picture: what it counts from and what is marked in it."""

    mark: str
    limit: str
    says: str
    nothing: str


_ON = _Side("pull-in", "pull_in_time_ms", "ms after the coil is switched on", "no motion seen")
_OFF = _Side("drop-out", "drop_out_time_ms", "ms after the coil is switched off", "no drop-out seen")


def clicks_svg(record: RunRecord, height_pt: float = HEIGHT_PT) -> str | None:
    """Coil current: left the coil switched on, right switched off; None without a trace."""
    traces = [trace for trace in record.traces("clicks") if "current_a" in trace.columns and len(trace.time_s) > 1]
    if not traces:
        return None
    drawing = Drawing(WHOLE_PT, height_pt, f"Coil current in milliamperes over milliseconds, {len(traces)} clicks")
    left, right = (33.0, 13.0, 236.0, height_pt - 42.0), (285.0, 13.0, 236.0, height_pt - 42.0)
    y = span(*(trace.columns["current_a"] * 1e3 for trace in traces), [0.0, 20.0], room=0.07)
    released = [trace.marks["released"] for trace in traces if "released" in trace.marks]
    first_off_s = min(released) if released else float(traces[0].time_s[-1])
    _half(drawing, record, traces, _ON, [0.0] * len(traces), first_off_s * 1e3, left, y)
    if len(released) == len(traces):
        left_ms = (float(traces[0].time_s[-1]) - released[0]) * 1e3
        _half(drawing, record, traces, _OFF, released, left_ms, right, y)
    return drawing.svg()


def _half(
    drawing: Drawing,
    record: RunRecord,
    traces: Sequence[Trace],
    side: _Side,
    zeros_s: Sequence[float],
    longest_ms: float,
    place: tuple[float, float, float, float],
    y: tuple[float, float],
) -> None:
    on = side is _ON
    limit = limit_of(record, side.limit)
    high_ms = limit.high if limit is not None else None
    moved = [(trace, zero_s) for trace, zero_s in zip(traces, zeros_s, strict=True) if side.mark in trace.marks]
    marks_ms = [(trace.marks[side.mark] - zero_s) * 1e3 for trace, zero_s in moved]
    axes_pt = place[3]
    end_ms = min(max(1.35 * (high_ms or 0.0), 1.25 * max(marks_ms, default=0.0), LEAST_MS), longest_ms)
    if on and not moved:
        end_ms = longest_ms
    axes = drawing.axes(
        place,
        (-BEFORE * end_ms, end_ms),
        y,
        x_label=side.says,
        y_label="" if not on else "coil current, mA" if axes_pt >= LABEL_PT else "mA",
        numbers=on,
    )
    if high_ms is not None and high_ms < end_ms:
        axes.band(high_ms, end_ms, LIMIT, 0.12)
        axes.upright(high_ms, Pen(LIMIT, 1.1, "5 2"))
        near = high_ms < 0.25 * end_ms  # no room for words on its left
        axes.words_at(
            high_ms + (0.01 if near else -0.01) * end_ms,
            _down(traces, zeros_s, high_ms, y, axes_pt),
            f"limit {high_ms:g} ms",
            LIMIT,
            anchor="start" if near else "end",
        )
    for trace, zero_s in zip(traces, zeros_s, strict=True):
        time_ms = (trace.time_s - zero_s) * 1e3
        shown = (time_ms >= -BEFORE * end_ms) & (time_ms <= end_ms)
        x_ms, current_ma = picked(time_ms[shown], trace.columns["current_a"][shown] * 1e3, MOST_POINTS)
        axes.line(x_ms, current_ma, Pen(MEASURED, 0.7, opacity=0.55))
    if not moved:
        axes.words((0.5, 0.7), side.nothing, FIT, anchor="middle", size_pt=8)
        return
    mean_ms = sum(marks_ms) / len(marks_ms)
    axes.upright(mean_ms, Pen(FIT, 0.9))
    levels = [
        float(np.interp(trace.marks[side.mark], trace.time_s, trace.columns["current_a"])) * 1e3 for trace, _ in moved
    ]
    axes.dots(marks_ms, levels, FIT)
    some = f", {len(moved)} of {len(traces)} clicks" if len(moved) < len(traces) else ""
    anchor = "end" if mean_ms > 0.6 * end_ms else "middle"
    axes.words_at(mean_ms, -MARK_ABOVE_PT / axes_pt, f"{side.mark} {mean_ms:.1f} ms{some}", FIT, anchor=anchor)


def _down(
    traces: Sequence[Trace], zeros_s: Sequence[float], at_ms: float, y: tuple[float, float], axes_pt: float
) -> float:
    """Where the currents leave room for words beside an upright line, from the top: below high ones, above low ones."""
    levels = [
        float(np.interp(zero_s + at_ms / 1e3, trace.time_s, trace.columns["current_a"])) * 1e3
        for trace, zero_s in zip(traces, zeros_s, strict=True)
    ]
    return 0.96 if sum(levels) / len(levels) > sum(y) / 2 else LIMIT_BELOW_PT / axes_pt
