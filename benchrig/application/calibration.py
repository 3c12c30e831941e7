"""Calibrate one constant of the bench against a reference, and withdraw a calibration that was found wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from benchrig.application.bench_choice import key_of
from benchrig.application.events import CalibrationBegan, Listener, NothingKept, nobody_listens
from benchrig.application.operators import operator_for
from benchrig.application.questions import Nobody, Questions
from benchrig.application.valid_calibrations import use_valid_calibrations
from benchrig.bench.bench import never
from benchrig.bench.calibrations import Calibration, Withdrawal
from benchrig.bench.constants import KINDS_OF_CALIBRATION, Kind
from benchrig.bench.opening import OpenedBench
from benchrig.bench.traceability import BenchKey
from benchrig.clock import utc_now
from benchrig.errors import ConfigError
from benchrig.records import Store
from benchrig.records.run_list import RunsWanted
from benchrig.sequencer.calibration.calibrate import METHODS, MOVED_MOST, Method, calibrate

__all__ = ["Withdrawn", "calibrate_bench", "method_for", "moved_text", "withdraw_calibration"]


def method_for(kind: Kind, way: str | None = None) -> Method:
    """The way to calibrate one kind; the first there is, when none is named.

    Raises
    ------
    ConfigError
        That kind has no such way.
    """
    ways = KINDS_OF_CALIBRATION[kind].ways
    if way is not None and way not in ways:
        raise ConfigError(f"{kind} is not calibrated by {way}.", hint=f"The ways are: {', '.join(ways)}.")
    return next(each for each in METHODS if each.kind == kind and each.name == (way or ways[0]))


def calibrate_bench(
    store: Store,
    opened: OpenedBench,
    method: Method,
    *,
    operator_name: str,
    seed: int | None = None,
    keep_whatever: bool = False,
    questions: Questions | None = None,
    tell: Listener = nobody_listens,
    stop_wanted: Callable[[], bool] = never,
) -> tuple[BenchKey, Calibration]:
    """Measure one constant and keep it. Closes the bench at the end.

    Parameters
    ----------
    store, opened, questions, tell, stop_wanted
        As for `benchrig.application.qualification.qualify_valve`.
    method : Method
        See `method_for`.
    operator_name : str
        For the record.
    seed : int or None
        Of a simulated bench.
    keep_whatever : bool
        Keep it even when a constant moves by more than a tenth.

    Returns
    -------
    (BenchKey, Calibration)
        The bench, and the calibration as it was kept, with its number.

    Raises
    ------
    ConfigError, NotCalibrated
        A reference is missing or expired; or a constant moved by much and nobody said that it be kept.
    BenchError
        The bench is at fault. Nothing is kept: the constants in use until now stand.
    """
    asked = questions if questions is not None else Nobody()
    with opened as bench:
        bench.stop_wanted = stop_wanted
        key = key_of(bench, seed)
        bench.connect()
        use_valid_calibrations(bench, store, key, tell, with_check=False)
        operator = operator_for(opened, asked, tell)
        general = bench.file.bench
        tell(CalibrationBegan(method.kind, method.title, general.name, general.simulated))
        try:
            found = calibrate(method, bench, operator, operator_name=operator_name, now=utc_now())
        except KeyboardInterrupt:
            tell(NothingKept())
            raise
    if not keep_whatever and found.moved > MOVED_MOST:
        _agree(found, asked.keep(found))
    return key, store.calibration_store.keep_calibration(key, replace(found, made_on=bench.made_on))


def moved_text(found: Calibration) -> str:
    """Which constant moved most, from where to where."""
    place, _ = found.moved_most
    was, now = found.before[place], found.constants[place]
    return f"{now.name} moves from {was.value:.4g} to {now.value:.4g} {now.unit}, by {100 * found.moved:.0f} %"


def _agree(found: Calibration, answer: bool | None) -> None:
    """A constant that moves by much is asked about: most often the reference, not the bench, is wrong."""
    if answer:
        return
    if answer is not None:
        raise ConfigError(
            "Not kept: the constant in use until now stands.", hint="Is it the right reference, and tight?"
        )
    raise ConfigError(
        f"{moved_text(found)}; more than {100 * MOVED_MOST:.0f} % is not kept unasked. "
        "The constant in use until now stands.",
        hint="Is it the right reference, and do its figures in the bench file agree with its certificate? Then --yes.",
    )


@dataclass(frozen=True)
class Withdrawn:
    """A calibration that counts no more, and the numbers of the runs that rested on it."""

    calibration: Calibration
    bench: BenchKey
    runs: tuple[str, ...]


def withdraw_calibration(store: Store, name: str, *, operator_name: str, reason: str) -> Withdrawn:
    """Say that a calibration was found wrong: it stays in the history and counts no more.

    Raises
    ------
    ConfigError
        There is none of that name, it was withdrawn before, or the reason is empty.
    """
    reason = reason.strip()
    if not reason:
        raise ConfigError("The reason is empty.", hint="Say why: whoever reads the history will ask.")
    key, found = store.calibration_store.calibration(name)
    store.calibration_store.withdraw(found.number, Withdrawal(utc_now(), operator_name, reason))
    runs = store.runs(1_000_000, RunsWanted(calibration=found.number))
    return Withdrawn(found, key, tuple(each.run for each in runs))
