"""What counts on a bench today, of what the store knows about it: asked in one place by all that measure."""

from __future__ import annotations

from contextlib import nullcontext, suppress

from benchrig.application.events import Listener, Warned
from benchrig.bench.bench import Bench
from benchrig.bench.clock_steps import look_at_clock, stepped
from benchrig.bench.traceability import BenchKey, Grounds, weigh
from benchrig.errors import BenchError
from benchrig.records import Store

__all__ = ["what_counts"]


def what_counts(
    bench: Bench, store: Store, key: BenchKey, tell: Listener, *, with_check: bool, must_answer: bool = True
) -> Grounds:
    """See which check and calibrations count, and tell what somebody should act on: clock, exchanged parts.

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
    clock = look_at_clock()
    found = weigh(
        bench.loaded.file,
        check if with_check else None,
        calibrations,
        clock.at,
        present=bench.made_on,
        last_seen=known.last_seen(),
        clock_was=stepped(known.last_clock(), clock),
    )
    for remark in found.warnings:
        tell(Warned(remark))
    return found
