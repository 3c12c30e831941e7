"""The three traces as pictures: hold, flow, clicks. Each is a pure function of the record.

Matplotlib is imported when the first picture is drawn: it costs more than the rest of the page.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from benchrig.analysis.results import Characteristic, Samples, Trace
from benchrig.records.model import RunRecord
from benchrig.verdict.words import Limit

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["clicks_svg", "flow_svg", "hold_svg", "plots"]

HALF_IN, WHOLE_IN = (3.6, 2.35), (7.4, 2.3)
STANDARD_PA, STANDARD_K = 101_325.0, 273.15
"""What a standard cubic centimetre is counted at (design of the program: 0 degC, 101.325 kPa)."""
SETTLED = 4.0
"""The air has taken the wall's temperature after so many time constants, to 2 %."""
FULL = 0.03
"""Less than this part of the first vacuum counts as full."""
MOST_CLICK_POINTS = 260


def plots(record: RunRecord) -> dict[str, str]:
    """All pictures that the record has traces for, as SVG text, by step name."""
    drawn = {"hold": hold_svg(record), "flow": flow_svg(record), "clicks": clicks_svg(record)}
    return {name: text for name, text in drawn.items() if text is not None}


# -- hold


def hold_svg(record: RunRecord) -> str | None:
    """Vacuum over time with the valve closed: samples, fit, and the loss of vacuum that the limit would allow."""
    trace = next(iter(record.traces("hold")), None)
    if trace is None or "pressure_pa" not in trace.columns or len(trace.time_s) < 2:
        return None
    from benchrig.reports import drawing

    ambient_pa = _ambient_pa(record)
    vacuum_kpa = (ambient_pa - trace.columns["pressure_pa"]) / 1000
    shown = trace.time_s >= -0.1
    time_s, vacuum_kpa = drawing.picked(trace.time_s[shown], vacuum_kpa[shown])
    fit = _curve(trace, "pressure_pa")
    allowed = _allowed(record, trace, ambient_pa)
    with drawing.style(f"{record.run} hold"):
        figure = _figure(HALF_IN)
        end_s = float(time_s[-1])
        y = drawing.span(vacuum_kpa, *([allowed[1]] if allowed is not None else []), room=0.08)
        axes = drawing.add_axes(
            figure,
            (0.135, 0.165, 0.845, 0.79),
            (min(0.0, float(time_s[0])), end_s),
            y,
            x_label="seconds",
            y_label="vacuum, kPa",
        )
        if allowed is not None:
            at_s, level_kpa, label = allowed
            axes.fill_between(at_s, level_kpa[0], level_kpa, color=drawing.LIMIT, alpha=0.16, linewidth=0)
            axes.plot(at_s, level_kpa, color=drawing.LIMIT, linewidth=1.1, dashes=(5, 2), label=label)
        axes.plot(time_s, vacuum_kpa, color=drawing.MEASURED, linewidth=1.8, label="measured")
        if fit is not None:
            axes.plot(
                fit[0], (ambient_pa - fit[1]) / 1000, color=drawing.FIT, linewidth=0.9, dashes=(4, 2), label="fit"
            )
        _legend(axes, "upper right")
        return drawing.svg_text(figure, "hold", "Vacuum in kilopascals over seconds while the closed valve holds it")


def _allowed(record: RunRecord, trace: Trace, ambient_pa: float) -> tuple[Samples, Samples, str] | None:
    """The line of a valve that leaks as much as its limit, from the moment that the air has warmed up.

    A guide for the eye: the bench's own background is part of it, and the temperature stays at ambient.
    """
    limit = _limit(record, "hold_leak_sccm")
    volume = record.bench.constants.get("reservoir volume")
    if limit is None or limit.high is None or volume is None or volume[2] != "L" or not volume[0] > 0:
        return None
    background = record.bench.constants.get("background leak", (0.0, 0.0, "sccm"))[0]
    ambient_k = _reading(record, "ready", "ambient temperature", 20.0) + 273.15
    rate_pa_s = (limit.high + background) / 60e6 * STANDARD_PA / (volume[0] * 1e-3) * ambient_k / STANDARD_K
    end_s = float(trace.time_s[-1])
    constant_s = _reading(record, "hold", "heat recovery time constant", 0.0)
    start_s = min(SETTLED * constant_s, 0.5 * end_s)
    source = _curve(trace, "pressure_pa") or (trace.time_s, trace.columns["pressure_pa"])
    start_pa = float(np.interp(start_s, source[0], source[1]))
    at_s = np.array([start_s, end_s])
    level_kpa = (ambient_pa - start_pa - rate_pa_s * (at_s - start_s)) / 1000
    return at_s, np.maximum(level_kpa, 0.0), f"at the limit, {limit.high:g} sccm"


# -- flow


def flow_svg(record: RunRecord) -> str | None:
    """The reservoir filling through the open valve: samples, fit, the slowest fill allowed, and the first moments."""
    trace = next(iter(record.traces("flow")), None)
    if trace is None or "pressure_pa" not in trace.columns or len(trace.time_s) < 2:
        return None
    from benchrig.reports import drawing

    ambient_pa = _ambient_pa(record)
    all_kpa = (ambient_pa - trace.columns["pressure_pa"]) / 1000
    end_s = _filled_s(trace.time_s, all_kpa)
    shown = (trace.time_s >= -0.05 * end_s) & (trace.time_s <= end_s)
    time_s, vacuum_kpa = drawing.picked(trace.time_s[shown], all_kpa[shown])
    fit = _curve(trace, "pressure_pa")
    slowest = _slowest(record, trace, fit)
    with drawing.style(f"{record.run} flow"):
        figure = _figure(HALF_IN)
        x = (float(time_s[0]), float(time_s[-1]))
        top_kpa = max(float(np.nanmax(vacuum_kpa)), record.model.rated_vacuum_kpa) * 1.06
        axes = drawing.add_axes(
            figure,
            (0.135, 0.165, 0.845, 0.79),
            x,
            (min(0.0, float(np.nanmin(vacuum_kpa))) - 1.0, top_kpa),
            x_label="seconds",
            y_label="vacuum, kPa",
        )
        rated_kpa = record.model.rated_vacuum_kpa
        axes.axhline(rated_kpa, color=drawing.INK, linewidth=0.6, dashes=(1, 2))
        axes.text(x[0], rated_kpa, f" rated {rated_kpa:g} kPa", color=drawing.INK, fontsize=6.3, ha="left", va="top")
        if slowest is not None:
            at_s, level_pa, label = slowest
            axes.plot(
                at_s, (ambient_pa - level_pa) / 1000, color=drawing.LIMIT, linewidth=1.1, dashes=(5, 2), label=label
            )
        axes.plot(time_s, vacuum_kpa, color=drawing.MEASURED, linewidth=1.8, label="measured")
        if fit is not None:
            axes.plot(
                fit[0], (ambient_pa - fit[1]) / 1000, color=drawing.FIT, linewidth=0.9, dashes=(4, 2), label="fit"
            )
        if fit is not None or slowest is not None:
            _legend(axes, "upper right", (1.0, 0.63) if "opened" in trace.marks else None)
        if not trace.marks and fit is None:
            axes.text(0.5, 0.25, "no air came in", transform=axes.transAxes, color=drawing.FIT, fontsize=8, ha="center")
        _opening(figure, record, trace, all_kpa)
        return drawing.svg_text(
            figure, "flow", "Vacuum in kilopascals over seconds while air flows in through the open valve"
        )


def _filled_s(time_s: Samples, vacuum_kpa: Samples) -> float:
    """Where to end the picture: well after the reservoir is full, or at the last sample."""
    left = vacuum_kpa > FULL * float(np.nanmax(vacuum_kpa))
    last_s = float(time_s[left][-1]) if left.any() else float(time_s[-1])
    return min(1.6 * last_s, float(time_s[-1])) if last_s > 0 else float(time_s[-1])


def _slowest(
    record: RunRecord, trace: Trace, fit: tuple[Samples, Samples] | None
) -> tuple[Samples, Samples, str] | None:
    """The fit, stretched in time by measured over least allowed flow. A guide for the eye: heat is not stretched."""
    limit = _limit(record, "flow_at_rated_vacuum_lpm_anr")
    found = _measured(record, "flow_at_rated_vacuum_lpm_anr")
    if limit is None or not limit.low or found is None or not found.value or found.bound or fit is None:
        return None
    opened_s = trace.marks.get("opened", 0.0)
    at_s = opened_s + (fit[0] - opened_s) * found.value / limit.low
    return at_s, fit[1], f"at the limit, {limit.low:g} L/min"


def _opening(figure: Figure, record: RunRecord, trace: Trace, all_kpa: Samples) -> None:
    """The first moments, enlarged: when the pressure begins to rise."""
    opened_s = trace.marks.get("opened")
    if opened_s is None:
        return
    from benchrig.reports import drawing

    limit = _limit(record, "opening_delay_ms")
    high_ms = limit.high if limit is not None else None
    end_ms = 1.4 * max(opened_s * 1e3, high_ms or 0.0, 10.0)
    time_ms = trace.time_s * 1e3
    shown = (time_ms >= -0.25 * end_ms) & (time_ms <= end_ms)
    if int(shown.sum()) < 2:
        return
    x_ms, y_kpa = drawing.picked(time_ms[shown], all_kpa[shown], 240)
    inset = drawing.add_axes(
        figure,
        (0.665, 0.70, 0.31, 0.255),
        (float(x_ms[0]), float(x_ms[-1])),
        drawing.span(y_kpa, room=0.15),
        x_about=3,
        y_about=2,
    )
    inset.tick_params(labelsize=5.8, pad=1.5, length=1.8)
    if high_ms is not None:
        _beyond(inset, high_ms, end_ms)
    inset.plot(x_ms, y_kpa, color=drawing.MEASURED, linewidth=0.8)
    inset.axvline(opened_s * 1e3, color=drawing.FIT, linewidth=1.0)
    inset.set_title(f"air comes in after {opened_s * 1e3:.1f} ms", fontsize=6.3, color=drawing.INK, pad=2)


# -- clicks


def clicks_svg(record: RunRecord) -> str | None:
    """The current of all clicks laid over each other: left the coil switched on, right switched off."""
    traces = [trace for trace in record.traces("clicks") if "current_a" in trace.columns and len(trace.time_s) > 1]
    if not traces:
        return None
    from benchrig.reports import drawing

    released_s = traces[0].marks.get("released")
    with drawing.style(f"{record.run} clicks"):
        figure = _figure(WHOLE_IN)
        y = drawing.span(*(trace.columns["current_a"] * 1e3 for trace in traces), [0.0, 20.0], room=0.07)
        left = _pulses(figure, record, traces, "pull-in", 0.0, released_s, (0.067, 0.175, 0.44, 0.735), y)
        left.set_ylabel("coil current, mA", color=drawing.INK, labelpad=3)
        if released_s is not None:
            right = _pulses(figure, record, traces, "drop-out", released_s, None, (0.55, 0.175, 0.44, 0.735), y)
            right.set_yticklabels([])
        return drawing.svg_text(
            figure, "clicks", f"Coil current in milliamperes over milliseconds, {len(traces)} clicks"
        )


_CLICK_WORDS = {
    "pull-in": ("pull_in_time_ms", "ms after the coil is switched on", "pull-in"),
    "drop-out": ("drop_out_time_ms", "ms after the coil is switched off", "drop-out"),
}


def _pulses(
    figure: Figure,
    record: RunRecord,
    traces: list[Trace],
    mark: str,
    zero_s: float,
    until_s: float | None,
    place: tuple[float, float, float, float],
    y: tuple[float, float],
) -> Any:
    from benchrig.reports import drawing

    name, x_label, word = _CLICK_WORDS[mark]
    limit = _limit(record, name)
    high_ms = limit.high if limit is not None else None
    marks_ms = [(trace.marks[mark] - zero_s) * 1e3 for trace in traces if mark in trace.marks]
    longest_ms = (float(traces[0].time_s[-1]) - zero_s) * 1e3 if until_s is None else (until_s - zero_s) * 1e3
    end_ms = min(max(1.35 * (high_ms or 0.0), 1.25 * max(marks_ms, default=0.0), 30.0), longest_ms)
    if not marks_ms and until_s is not None:
        end_ms = longest_ms
    axes = drawing.add_axes(figure, place, (-0.06 * end_ms, end_ms), y, x_label=x_label)
    if high_ms is not None and high_ms < end_ms:
        _beyond(axes, high_ms, end_ms)
        # Where the current leaves room: below the plateau, above the decay.
        axes.text(
            high_ms - 0.01 * end_ms,
            y[0] + (0.03 if until_s is not None else 0.9) * (y[1] - y[0]),
            f"limit {high_ms:g} ms",
            color=drawing.LIMIT,
            fontsize=6.3,
            ha="right",
            va="bottom",
        )
    for trace in traces:
        time_ms = (trace.time_s - zero_s) * 1e3
        shown = (time_ms >= -0.06 * end_ms) & (time_ms <= end_ms)
        x_ms, current_ma = drawing.picked(time_ms[shown], trace.columns["current_a"][shown] * 1e3, MOST_CLICK_POINTS)
        axes.plot(x_ms, current_ma, color=drawing.MEASURED, linewidth=0.7, alpha=0.55)
    if marks_ms:
        mean_ms = sum(marks_ms) / len(marks_ms)
        levels = [
            float(np.interp(trace.marks[mark], trace.time_s, trace.columns["current_a"])) * 1e3
            for trace in traces
            if mark in trace.marks
        ]
        axes.axvline(mean_ms, color=drawing.FIT, linewidth=0.9)
        axes.plot(
            marks_ms,
            levels,
            linestyle="none",
            marker="o",
            markersize=3.2,
            color=drawing.FIT,
            markeredgecolor="white",
            markeredgewidth=0.5,
        )
        axes.text(
            mean_ms - 0.01 * end_ms,
            y[1],
            f"{word} {mean_ms:.1f} ms",
            color=drawing.FIT,
            fontsize=6.3,
            va="bottom",
            ha="right" if mean_ms > 0.25 * end_ms else "left",
        )
    else:
        said = "no motion seen" if mark == "pull-in" else f"no {word} seen"
        axes.text(0.5, 0.3, said, transform=axes.transAxes, color=drawing.FIT, fontsize=8, ha="center", va="center")
    return axes


# -- helpers


def _figure(size_in: tuple[float, float]) -> Figure:
    from matplotlib.figure import Figure

    return Figure(figsize=size_in)


def _beyond(axes: Any, from_x: float, to_x: float) -> None:
    from benchrig.reports import drawing

    axes.axvspan(from_x, to_x, color=drawing.LIMIT, alpha=0.12, linewidth=0)
    axes.axvline(from_x, color=drawing.LIMIT, linewidth=1.1, dashes=(5, 2))


def _legend(axes: Any, place: str, corner: tuple[float, float] | None = None) -> None:
    axes.legend(
        loc=place,
        bbox_to_anchor=corner,
        fontsize=6.3,
        frameon=False,
        handlelength=2.2,
        borderaxespad=0.3,
        labelspacing=0.25,
    )


def _curve(trace: Trace, column: str) -> tuple[Samples, Samples] | None:
    for name, curve in trace.curves:
        if name == column and len(curve.time_s):
            return curve.time_s, curve.values
    return None


def _limit(record: RunRecord, name: str) -> Limit | None:
    return next((limit for limit in record.model.limits if limit.name == name), None)


def _measured(record: RunRecord, name: str) -> Characteristic | None:
    return next((each for each in record.characteristics if each.name == name), None)


def _reading(record: RunRecord, step: str, label: str, otherwise: float) -> float:
    found = record.step(step)
    value = otherwise if found is None else found.readings.get(label, (otherwise, ""))[0]
    return value if np.isfinite(value) else otherwise


def _ambient_pa(record: RunRecord) -> float:
    return _reading(record, "ready", "ambient pressure", STANDARD_PA / 1000) * 1000
