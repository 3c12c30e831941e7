"""One calibration as a whole: references looked at first, outputs off at the end, nothing kept if interrupted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from benchrig.bench.bench import Bench
from benchrig.bench.calibrations import Calibration, Constant, constants_of, with_calibrations
from benchrig.bench.constants import KINDS_OF_CALIBRATION, Kind
from benchrig.bench.ending import end_safe, safe_on_error
from benchrig.bench.file import BenchFile
from benchrig.errors import BenchError, ConfigError
from benchrig.sequencer.calibration import electric, gas, pulses, transducer
from benchrig.sequencer.calibration.calibration_output import CalibrationOutput, in_date
from benchrig.sequencer.operator import Fitting, Operator

__all__ = ["METHODS", "MOVED_MOST", "Method", "calibrate"]

MOVED_MOST = 0.10
"""A calibration that moves a constant by a greater part is asked about: most often the reference is wrong."""


@dataclass(frozen=True)
class Method:
    """One way to calibrate one kind. `tables` of the bench file must be there, with certificates in date."""

    kind: Kind
    name: str
    title: str
    tables: tuple[str, ...]
    run: Callable[[Bench, Operator], CalibrationOutput]
    look: str = "Is the right reference connected, and are its figures right?"
    """What to look at when what comes out makes no sense."""


METHODS: tuple[Method, ...] = (
    Method("volume", "vessel", "Reservoir volume, by a known volume", ("known_volume",), gas.volume_by_the_vessel),
    Method(
        "volume",
        "leak",
        "Reservoir volume, by the reference leak",
        ("reference_leak",),
        gas.volume_by_the_reference_leak,
    ),
    Method(
        "shunt", "resistor", "Coil current scale, by a resistor", ("reference_resistor", "voltmeter"), electric.shunt
    ),
    Method("transducer", "air", "Transducer zero, by the barometer", ("barometer",), transducer.zero),
    Method("leads", "short", "Meter leads, by a short circuit", (), electric.leads),
    Method("heat", "recovery", "Heat recovery, by the gas itself", (), gas.heat),
    Method("background", "hold", "The bench's own leak, on a blind plug", (), gas.background),
    Method("inflow", "pulses", "Heat transfer by the inflow, by short fills", (), pulses.inflow, pulses.LOOK),
    Method("response", "vent", "Transducer's response, by the vent", (), pulses.response),
    Method("scale", "gauge", "Transducer scale, by a vacuum gauge", ("barometer", "vacuum_gauge"), transducer.scale),
)
"""Names are the ways of `KINDS_OF_CALIBRATION`, whose first is what is done when none is named."""


def calibrate(method: Method, bench: Bench, operator: Operator, *, operator_name: str, now: datetime) -> Calibration:
    """Take one reference through one procedure.

    Parameters
    ----------
    method : Method
        One of `METHODS`.
    bench : Bench
        Open, not yet connected, resting on the constants in use until now.
    operator : Operator
        Who connects what.
    operator_name : str
        Who it is.
    now : datetime
        Date of the calibration, UTC.

    Returns
    -------
    Calibration
        Not kept anywhere yet: until it is, the old constants stand.

    Raises
    ------
    ConfigError, NotCalibrated
        A reference is missing, dated in the future, or expired. Nothing was switched.
    BenchError
        The bench, or what came out makes no sense. The outputs are off.
    """
    in_date(bench.file, method.tables, now)
    with safe_on_error(bench):
        bench.connect()
        bench.arm(electric.COIL_LIMIT_S)
        try:
            found = method.run(bench, operator)
        except ValueError as error:
            raise BenchError(f"{method.title}: {error}.", hint=method.look) from error
        end_safe(bench)
        operator.connect(Fitting.VALVE)
    before = constants_of(bench.file, method.kind)
    made = Calibration(
        kind=method.kind,
        constants=found.constants,
        before=before,
        references=found.references,
        made=now,
        until=now + timedelta(days=_days(bench.file, method.kind)),
        operator=operator_name,
        how=found.how,
        parts=found.parts,
        notes=(*found.notes, *_less_sure(found.constants[0], before[0])),
    )
    try:
        with_calibrations(bench.file, [made])
    except ConfigError as error:
        said = ", ".join(each.said for each in made.constants)
        raise BenchError(f"{method.title}: {said} cannot be.", hint=method.look) from error
    return made


def _less_sure(now: Constant, was: Constant) -> tuple[str, ...]:
    """A reference that is coarser than what the bench claimed until now: one of the two is wrong."""
    if not 0 < was.u < now.u:
        return ()
    return (
        f"until now {was.said} was claimed, surer than this reference can tell: what does that rest on? "
        "If on a better calibration, withdraw this one",
    )


def _days(file: BenchFile, kind: Kind) -> float:
    days: float = getattr(file.calibration, KINDS_OF_CALIBRATION[kind].lasts)
    return days
