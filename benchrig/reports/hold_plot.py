"""The hold step as a picture: vacuum over time with the valve closed."""

from __future__ import annotations

import numpy as np

from benchrig.analysis.results import Samples, Trace
from benchrig.records.model import RunRecord
from benchrig.reports.drawing import FIT, LIMIT, MEASURED, Drawing, Pen, picked, span
from benchrig.reports.lookups import STANDARD_K, STANDARD_PA, ambient_pa, curve_of, first_trace, limit_of, reading

__all__ = ["HALF_PT", "HEIGHT_PT", "allowed_line", "frame", "hold_svg"]

HALF_PT, HEIGHT_PT = 256.0, 152.0
"""Half the width of a printed A4 sheet, and the height where nothing else is wanted."""


def frame(height_pt: float) -> tuple[float, float, float, float]:
    """Where the axes lie in such a picture: the legend above, numbers and label below."""
    return 33.0, 14.0, HALF_PT - 38.0, height_pt - 43.0


SETTLED = 4.0
"""The air has taken the wall's temperature after so many time constants, to 2 %."""


def hold_svg(record: RunRecord, height_pt: float = HEIGHT_PT) -> str | None:
    """Samples, fit, and the loss of vacuum that the limit would allow; None without a trace."""
    trace = first_trace(record, "hold", "pressure_pa")
    if trace is None:
        return None
    air_pa = ambient_pa(record)
    shown = trace.time_s >= -0.1
    time_s, vacuum_kpa = picked(trace.time_s[shown], (air_pa - trace.columns["pressure_pa"][shown]) / 1000)
    allowed = allowed_line(record, trace, air_pa)
    drawing = Drawing(HALF_PT, height_pt, "Vacuum in kilopascals over seconds while the closed valve holds it")
    x = span(time_s, [0.0], room=0.0)
    y = span(vacuum_kpa, *([allowed[1]] if allowed is not None else []), room=0.08)
    axes = drawing.axes(frame(height_pt), x, y, x_label="seconds", y_label="vacuum, kPa")
    entries: list[tuple[str, Pen]] = []
    if allowed is not None:
        at_s, level_kpa, label = allowed
        pen = Pen(LIMIT, 1.1, "5 2")
        axes.area(at_s, level_kpa, float(level_kpa[0]), LIMIT, 0.16)
        axes.line(at_s, level_kpa, pen)
        entries.append((label, pen))
    pen = Pen(MEASURED, 1.3)
    axes.line(time_s, vacuum_kpa, pen)
    entries.append(("measured", pen))
    fit = curve_of(trace, "pressure_pa")
    if fit is not None:
        pen = Pen(FIT, 0.9, "4 2")
        axes.line(*picked(fit[0], (air_pa - fit[1]) / 1000), pen)
        entries.append(("fit", pen))
    axes.legend(entries)
    return drawing.svg()


def allowed_line(record: RunRecord, trace: Trace, air_pa: float) -> tuple[Samples, Samples, str] | None:
    """The line of a valve that leaks as much as its limit, from the moment that the air has warmed up.

    A guide for the eye: the bench's own background is part of it, and the temperature stays at ambient.
    """
    limit = limit_of(record, "hold_leak_sccm")
    volume = record.bench.constants.get("reservoir volume")
    if limit is None or limit.high is None or volume is None or volume[2] != "L" or not volume[0] > 0:
        return None
    background = record.bench.constants.get("background leak", (0.0, 0.0, "sccm"))[0]
    ambient_k = reading(record, "ready", "ambient temperature", 20.0) + 273.15
    rate_pa_s = (limit.high + background) / 60e6 * STANDARD_PA / (volume[0] * 1e-3) * ambient_k / STANDARD_K
    end_s = float(trace.time_s[-1])
    constant_s = reading(record, "hold", "heat recovery time constant", 0.0)
    start_s = min(SETTLED * constant_s, 0.5 * end_s)
    source = curve_of(trace, "pressure_pa") or (trace.time_s, trace.columns["pressure_pa"])
    start_pa = float(np.interp(start_s, source[0], source[1]))
    at_s = np.array([start_s, end_s])
    level_kpa = (air_pa - start_pa - rate_pa_s * (at_s - start_s)) / 1000
    return at_s, np.maximum(level_kpa, 0.0), f"at the limit, {limit.high:g} sccm"
