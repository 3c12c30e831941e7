"""The hold step as a picture: vacuum over time with the valve closed."""

from __future__ import annotations

import numpy as np

from benchrig.analysis.results import Samples, Trace
from benchrig.records.run_record import RunRecord
from benchrig.reports.drawing import FIT, LIMIT, MEASURED, Drawing, Pen, picked, span
from benchrig.reports.lookups import (
    STANDARD_K,
    STANDARD_PA,
    ambient_pa,
    curve_of,
    first_trace,
    limit_of,
    measured,
    reading,
)

__all__ = ["HALF_PT", "HEIGHT_PT", "allowed_line", "frame", "hold_svg"]

HALF_PT, HEIGHT_PT = 256.0, 152.0
"""Half the width of a printed A4 sheet, and the height where nothing else is wanted."""


def frame(height_pt: float) -> tuple[float, float, float, float]:
    """Where the axes lie in such a picture: the legend above, numbers and label below."""
    return 33.0, 14.0, HALF_PT - 38.0, height_pt - 43.0


SETTLED = 4.0
"""The air has taken the wall's temperature after so many time constants, to 2 %."""
LEAST_LEFT = 0.9
"""With less than this part of the vacuum left, the leak has slowed down meanwhile."""


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
    """The line of a valve that leaks as much as its limit: below it, the valve leaks more.

    It is the fit, with the limit in the place of the leak that was found, so that it holds while the air still warms
    up. Where no leak was found, or one that empties the reservoir, it is straight and begins when the air has warmed
    up: a guide for the eye, with the bench's own background in it.
    """
    limit = limit_of(record, "hold_leak_sccm")
    volume = record.bench.constants.get("reservoir volume")
    if limit is None or limit.high is None or volume is None or volume[2] != "L" or not volume[0] > 0:
        return None
    label = f"at the limit, {limit.high:g} sccm"
    ambient_k = reading(record, "ready", "ambient temperature", 20.0) + 273.15
    pa_s_sccm = STANDARD_PA / 60e6 / (volume[0] * 1e-3) * ambient_k / STANDARD_K
    fit = curve_of(trace, "pressure_pa")
    found = measured(record, "hold_leak_sccm")
    if fit is not None and found is not None and found.value is not None and not found.bound:
        at_s, fit_kpa = picked(fit[0], (air_pa - fit[1]) / 1000)
        if fit_kpa[-1] > LEAST_LEFT * fit_kpa[0]:
            return at_s, fit_kpa - (limit.high - found.value) * pa_s_sccm * (at_s - at_s[0]) / 1000, label
    background = record.bench.constants.get("background leak", (0.0, 0.0, "sccm"))[0]
    end_s = float(trace.time_s[-1])
    constant_s = reading(record, "hold", "heat recovery time constant", 0.0)
    start_s = min(SETTLED * constant_s, 0.5 * end_s)
    source = fit or (trace.time_s, trace.columns["pressure_pa"])
    start_pa = float(np.interp(start_s, source[0], source[1]))
    at_s = np.array([start_s, end_s])
    level_kpa = (air_pa - start_pa - (limit.high + background) * pa_s_sccm * (at_s - start_s)) / 1000
    return at_s, np.maximum(level_kpa, 0.0), label
