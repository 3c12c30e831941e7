"""What counts on a bench today, of what the store knows about it: asked in one place by all that measure."""

from __future__ import annotations

from contextlib import nullcontext, suppress

from benchrig.application.events import Listener, Warned
from benchrig.bench.bench import Bench
from benchrig.bench.clock_steps import look_at_clock, stepped
from benchrig.bench.traceability import BenchKey, Traceability, assess_traceability
from benchrig.errors import BenchError
from benchrig.records import Store

__all__ = ["use_valid_calibrations"]


def use_valid_calibrations(
    bench: Bench, store: Store, key: BenchKey, tell: Listener, *, with_check: bool, must_answer: bool = True
) -> Traceability:
    """Let the calibrations that count take the place of the bench file's constants; tell what somebody should act on.

    Greets board and meter where anything is known of the bench: what was made on others does not count.

    Parameters
    ----------
    with_check : bool
        Whether the last bench check matters; it does not to a check, a calibration or a study.
    must_answer : bool
        False: a bench that does not answer is found out later; all that is known of its name counts.

    Raises
    ------
    BenchError
        Board or meter do not answer.
    """
    known = store.calibration_store
    check, calibrations = known.last_check_and_calibrations(key)
    if (calibrations or (check is not None and with_check)) and not (bench.board_name and bench.meter_name):
        with nullcontext() if must_answer else suppress(BenchError):
            bench.connect()
    last_seen, clock_then = known.last_seen()
    clock = look_at_clock()
    found = assess_traceability(
        bench.loaded.file,
        check if with_check else None,
        calibrations,
        clock.at,
        present=bench.made_on,
        last_seen=last_seen,
        clock_was=stepped(clock_then, clock),
    )
    for remark in found.warnings:
        tell(Warned(remark))
    bench.apply_calibrations(found)
    return found
