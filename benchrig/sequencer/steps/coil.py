"""Coil resistance, cold, before anything heats the coil."""

from __future__ import annotations

import math

from benchrig.analysis.coil.resistance import coil_resistance_20c
from benchrig.bench.bench import Waiting
from benchrig.sequencer.context import Context
from benchrig.sequencer.steps.resistance_cross_check import check_possible, repeats_like_a_resistor
from benchrig.sequencer.steps.step_output import StepOutput

__all__ = ["coil"]

COLD_U_K = 1.0
"""A part that has lain beside the bench: its winding is at ambient within about this (engineering judgement)."""
SHORT_MARGIN = 0.9
"""A coil that would draw more than this part of the over-current limit is a short: it is not energised."""


def coil(run: Context) -> Waiting[StepOutput]:
    """Measure the coil with the multimeter, correct to 20 degC, and decide whether it may be energised."""
    bench, file = run.bench, run.bench.file
    report = run.watch("coil", 1.0 + 0.6 * file.sequence.coil_readings)
    report("")
    readings_ohm = yield from bench.reading_coil_ohm(file.sequence.coil_readings)
    asked_again = not repeats_like_a_resistor(readings_ohm)
    if asked_again:
        # One stale answer is not seen again; a joint that comes and goes is, here or by the current of the clicks.
        before = readings_ohm
        readings_ohm = yield from bench.reading_coil_ohm(2 * file.sequence.coil_readings)
    check_possible(readings_ohm, file.meter)
    ambient_c = run.ambient_k - 273.15
    found = coil_resistance_20c(
        readings_ohm,
        wires=file.meter.wires,
        lead_ohm=file.meter.lead_ohm,
        lead_u_ohm=file.meter.lead_u_ohm,
        accuracy_rel=file.meter.accuracy_percent / 100,
        accuracy_ohm=file.meter.accuracy_ohm,
        range_ohm=file.meter.range_ohm,
        coil_c=ambient_c,
        coil_u_k=math.hypot(COLD_U_K, file.thermistor.u_k),
    )
    run.cold_resistance = found
    notes: tuple[str, ...] = ()
    short_ohm = run.supply_v / (SHORT_MARGIN * file.shunt.over_current_a)
    if found.bound == "above":
        run.coil = "open"
    elif found.value is None:
        run.coil = "intermittent"
        notes = (found.why_not,)
    elif min(readings_ohm) < short_ohm:
        run.coil = "short"
        notes = (
            f"{min(readings_ohm):.2f} ohm would draw over {SHORT_MARGIN:.0%} of {file.shunt.over_current_a:g} A "
            f"(below {short_ohm:.1f} ohm): the coil is not energised.",
        )
    else:
        run.coil = "sound"
    if asked_again:
        said = ", ".join(f"{value:.2f}" for value in before)
        notes = (*notes, f"The meter's readings did not repeat ({said} ohm) and were taken again.")
    shown = "no path" if run.coil == "open" else f"{readings_ohm[-1]:.2f} ohm"
    report(shown)
    readings = {
        f"reading {number}": (value, "ohm") for number, value in enumerate(readings_ohm, 1) if math.isfinite(value)
    }
    return StepOutput(
        characteristics=(found,), readings={**readings, "coil taken to be at": (ambient_c, "degC")}, notes=notes
    )
