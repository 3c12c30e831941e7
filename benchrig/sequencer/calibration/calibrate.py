"""One calibration as a whole: references looked at first, outputs off at the end, nothing kept if interrupted."""

from __future__ import annotations

import importlib
import pkgutil
from datetime import datetime, timedelta

from benchrig.bench.bench import Bench
from benchrig.bench.calibrations import Calibration, Constant, constants_of, with_calibrations
from benchrig.bench.constants import KINDS_OF_CALIBRATION, Kind
from benchrig.bench.file import BenchFile
from benchrig.bench.safe_shutdown import end_safe, safe_on_error
from benchrig.errors import BenchError, ConfigError
from benchrig.sequencer import calibration
from benchrig.sequencer.calibration.calibration_output import Method, in_date
from benchrig.sequencer.calibration.electric import COIL_LIMIT_S
from benchrig.sequencer.operator import Fitting, Operator

__all__ = ["METHODS", "MOVED_MOST", "Method", "calibrate"]

MOVED_MOST = 0.10
"""A calibration that moves a constant by a greater part is asked about: most often the reference is wrong."""


def _all_methods() -> tuple[Method, ...]:
    """What the modules of this folder offer in their ``METHODS``, in the order of `KINDS_OF_CALIBRATION`."""
    order = [(kind, way) for kind, each in KINDS_OF_CALIBRATION.items() for way in each.ways]
    names = [f"{calibration.__name__}.{each.name}" for each in pkgutil.iter_modules(calibration.__path__)]
    modules = [importlib.import_module(name) for name in names if name != __name__]
    methods: list[Method] = [method for module in modules for method in getattr(module, "METHODS", ())]
    return tuple(sorted(methods, key=lambda each: order.index((each.kind, each.name))))


METHODS = _all_methods()
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
        bench.arm(COIL_LIMIT_S)
        try:
            found = method.run(bench, operator)
        except ValueError as error:
            raise BenchError(f"{method.title}: {error}.", hint=method.look) from error
        end_safe(bench)
        operator.connect(Fitting.VALVE)
    names = {each.name for each in found.constants}
    before = tuple(each for each in constants_of(bench.file, method.kind) if each.name in names)
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
