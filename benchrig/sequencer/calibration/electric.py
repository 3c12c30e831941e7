"""Meter leads and coil current scale: what needs the plug alone."""

from __future__ import annotations

import math

from benchrig.analysis.calibration.electrical import current_scale_v_per_a, lead_resistance_ohm, mean_of
from benchrig.analysis.statistics.uncertainty_budget import Quantity
from benchrig.bench.bench import Bench
from benchrig.bench.calibrations import Reference
from benchrig.bench.file import ResistorTable, VoltmeterTable
from benchrig.bench.wiring import AT_REST
from benchrig.drivers.relay_board import Channel, Output
from benchrig.errors import BenchError
from benchrig.sequencer.calibration.calibration_output import CalibrationOutput, Method, reference, standard
from benchrig.sequencer.operator import Fitting, Operator, put_on

__all__ = ["COIL_LIMIT_S", "METHODS", "leads", "shunt"]

COIL_LIMIT_S = 60.0
"""While a person reads the voltmeter; the resistor must bear it."""
READINGS = 10
SETTLE_S = 0.3
NO_CURRENT_A = 0.02
LEAST_CURRENT_A = 0.05
STEP_U_V = 0.0001
"""What is left of a 12-bit converter's steps (0.8 mV) in a mean of hundreds of samples: engineering judgement."""
CLIPPED_BELOW_V, CLIPPED_U_V = 0.002, 0.0003
"""A converter shows nothing below zero: a zero that lies there is known by so much less (engineering judgement)."""


def leads(bench: Bench, operator: Operator) -> CalibrationOutput:
    """What the meter reads with the plug shorted."""
    put_on(bench, operator, Fitting.SHORT, COIL_LIMIT_S)
    readings_ohm = bench.coil_readings_ohm(READINGS)
    if not all(math.isfinite(reading) for reading in readings_ohm):
        raise BenchError(
            "The meter finds no path through the short.",
            hint="Is the short home? Then the meter's leads, then the relay K2: 'benchrig bench check'.",
        )
    budget = lead_resistance_ohm(readings_ohm, accuracy_ohm=bench.file.meter.accuracy_ohm)
    found = CalibrationOutput.of(
        "meter lead_ohm",
        "ohm",
        budget,
        (Reference("short circuit", 0.0, 0.001 / math.sqrt(3), "ohm"),),
        f"mean of {READINGS} readings with the plug shorted, {bench.file.meter.wires} wires",
    )
    if budget.value >= 0:
        return found
    # The meter's zero may lie below the leads' few milliohms; a negative resistance is not taken off anything.
    constant = found.constants[0]
    kept = type(constant)(constant.name, 0.0, math.hypot(constant.u, constant.value), constant.unit)
    note = (
        f"read {budget.value:.4f} ohm, below zero by the meter's own zero: taken as 0, the uncertainty made to cover it"
    )
    return CalibrationOutput((kept,), found.references, found.how, found.parts, (note,))


def shunt(bench: Bench, operator: Operator) -> CalibrationOutput:
    """Volts per ampere of the current channel, from the reference resistor and a voltmeter across it."""
    file = bench.file
    resistor = standard(file, "reference_resistor", ResistorTable)
    voltmeter = standard(file, "voltmeter", VoltmeterTable)
    put_on(bench, operator, Fitting.RESISTOR, COIL_LIMIT_S)
    off = _pin_v(bench, "pin without current")
    if abs(off.value) / file.shunt.volts_per_amp > NO_CURRENT_A:
        raise BenchError(
            f"{off.value / file.shunt.volts_per_amp:.3f} A with the coil supply off.",
            hint="Is the coil switch K1 welded? 'benchrig bench check' looks.",
        )
    bench.switch(frozenset({Output.COIL}))
    bench.wait(SETTLE_S)
    before = _pin_v(bench, "pin with current")
    across_v = operator.read("voltmeter", "V")
    after = _pin_v(bench, "pin with current")
    bench.switch(AT_REST)
    if before.value / file.shunt.volts_per_amp < LEAST_CURRENT_A:
        raise BenchError(
            "No current flows through the reference resistor.",
            hint="Is its plug home? Then fuse, wiring, coil switch K1: 'benchrig bench check'.",
        )
    drift_v = abs(after.value - before.value) / 2
    on = Quantity(before.name, (before.value + after.value) / 2, math.hypot(before.u, drift_v))
    budget = current_scale_v_per_a(
        on,
        off,
        Quantity("voltmeter", across_v, across_v * voltmeter.u_relative),
        Quantity("reference resistor", resistor.ohm, resistor.u_ohm),
    )
    return CalibrationOutput.of(
        "shunt volts_per_amp",
        "V/A",
        budget,
        (
            reference("reference resistor", file, "reference_resistor", resistor.ohm, resistor.u_ohm, "ohm"),
            reference("voltmeter", file, "voltmeter", across_v, across_v * voltmeter.u_relative, "V"),
        ),
        f"{across_v:.4f} V across {resistor.ohm:g} ohm; the pin's volts without current taken off",
    )


def _pin_v(bench: Bench, name: str) -> Quantity:
    mean = mean_of(name, [bench.pin_v(Channel.COIL_CURRENT) for _ in range(READINGS)])
    return Quantity(name, mean.value, math.hypot(mean.u, CLIPPED_U_V if mean.value < CLIPPED_BELOW_V else STEP_U_V))


METHODS = (
    Method("shunt", "resistor", "Coil current scale, by a resistor", ("reference_resistor", "voltmeter"), shunt),
    Method("leads", "short", "Meter leads, by a short circuit", (), leads),
)
