"""The transducer's zero and scale: open air by the barometer, and a vacuum by a reference gauge."""

from __future__ import annotations

import math

from benchrig.analysis.calibration.electrical import mean_of
from benchrig.analysis.calibration.pressure import transducer_offset_v, transducer_scale_v_per_pa
from benchrig.analysis.statistics.uncertainty_budget import Quantity, rectangular
from benchrig.bench.bench import Bench
from benchrig.bench.calibrations import Constant
from benchrig.bench.file import BarometerTable, VacuumGaugeTable
from benchrig.bench.wiring import AT_REST
from benchrig.sequencer.calibration.calibration_output import CalibrationOutput, Method, reference, standard
from benchrig.sequencer.calibration.electric import COIL_LIMIT_S
from benchrig.sequencer.calibration.gas import REST_S, open_air_pa, to_hold_vacuum
from benchrig.sequencer.check.vacuum import hold_for
from benchrig.sequencer.operator import Fitting, Operator, put_on

__all__ = ["METHODS", "scale", "zero"]

READINGS = 10


def _pin_v(bench: Bench, name: str) -> Quantity:
    """Volts at the transducer's pin."""
    transducer = bench.file.transducer
    shown_pa = [bench.pressure_pa(200) for _ in range(READINGS)]
    return mean_of(name, [transducer.offset_v + transducer.volts_per_pa * each for each in shown_pa])


def zero(bench: Bench, operator: Operator) -> CalibrationOutput:
    """Volts at 0 Pa, from open air and a barometer."""
    file = bench.file
    barometer = standard(file, "barometer", BarometerTable)
    bench.wait(1.0)
    air_pa = operator.read("barometer", "kPa") * 1000
    read_v = _pin_v(bench, "reading in open air")
    shown_pa = (read_v.value - file.transducer.offset_v) / file.transducer.volts_per_pa
    budget = transducer_offset_v(
        read_v,
        Quantity("barometer", air_pa, barometer.u_pa),
        volts_per_pa=file.transducer.volts_per_pa,
        scale_u_rel=file.transducer.scale_u_percent / 100,
    )
    return CalibrationOutput.of(
        "transducer offset_v",
        "V",
        budget,
        (reference("barometer", file, "barometer", air_pa / 1000, barometer.u_pa / 1000, "kPa"),),
        f"open air at {air_pa / 1000:.3f} kPa by the barometer; it read {shown_pa / 1000:.3f} kPa",
    )


def scale(bench: Bench, operator: Operator) -> CalibrationOutput:
    """Scale and zero of the transducer from two pressures: open air by the barometer, a vacuum by a reference gauge."""
    file = bench.file
    barometer = standard(file, "barometer", BarometerTable)
    gauge = standard(file, "vacuum_gauge", VacuumGaugeTable)
    put_on(bench, operator, Fitting.VACUUM_GAUGE, COIL_LIMIT_S)
    bench.wait(1.0)
    air_pa = operator.read("barometer", "kPa") * 1000
    air_v = _pin_v(bench, "reading in open air")
    to_hold_vacuum(bench, operator, open_air_pa(bench))
    hold_for(bench, operator, REST_S, "coming to rest")
    before = _pin_v(bench, "reading in the vacuum")
    low_pa = operator.read("vacuum gauge", "kPa") * 1000
    after = _pin_v(bench, "reading in the vacuum")
    bench.switch(AT_REST)
    per_pa = file.transducer.volts_per_pa
    drift_v = abs(after.value - before.value) / 2
    play_v = rectangular(file.transducer.hysteresis_pa / 2) * per_pa
    # halfway between the two readings, wherever in between the gauge was read
    low_v = Quantity(before.name, (before.value + after.value) / 2, math.hypot(before.u, drift_v, play_v))
    per_pascal, at_nothing = transducer_scale_v_per_pa(
        air_v, Quantity("barometer", air_pa, barometer.u_pa), low_v, Quantity("vacuum gauge", low_pa, gauge.u_pa)
    )
    return CalibrationOutput(
        (
            Constant("transducer volts_per_pa", per_pascal.value, per_pascal.u, "V/Pa"),
            Constant("transducer offset_v", at_nothing.value, at_nothing.u, "V"),
        ),
        (
            reference("barometer", file, "barometer", air_pa / 1000, barometer.u_pa / 1000, "kPa"),
            reference("vacuum gauge", file, "vacuum_gauge", low_pa / 1000, gauge.u_pa / 1000, "kPa"),
        ),
        f"open air at {air_pa / 1000:.3f} kPa by the barometer, vacuum at {low_pa / 1000:.3f} kPa by the gauge",
        per_pascal.parts,
    )


METHODS = (
    Method("transducer", "air", "Transducer zero, by the barometer", ("barometer",), zero),
    Method("scale", "gauge", "Transducer scale, by a vacuum gauge", ("barometer", "vacuum_gauge"), scale),
)
