"""Check the bench: two minutes, one reference at a time; the outcome is stored and its page written."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from benchrig import __version__
from benchrig.application.bench_choice import key_of
from benchrig.application.events import BenchOpened, Checked, Listener, PageNotWritten, nobody_listens
from benchrig.application.operators import operator_for
from benchrig.application.paths import pages_folder
from benchrig.application.questions import Nobody, Questions
from benchrig.application.valid_calibrations import use_valid_calibrations
from benchrig.bench.bench import never
from benchrig.bench.check_result import CheckResult
from benchrig.bench.opening import OpenedBench
from benchrig.bench.traceability import BenchKey, CheckDone
from benchrig.records import Store
from benchrig.reports.page_files import write_check_page
from benchrig.sequencer.check.check import bench_check

__all__ = ["BenchCheck", "check_bench"]


@dataclass(frozen=True)
class BenchCheck:
    """A bench check that is in the store. `page` is None where it could not be written."""

    result: CheckResult
    done: CheckDone
    bench: BenchKey
    page: Path | None
    valid_h: float
    """How long a passed check counts on this bench."""


def check_bench(
    store: Store,
    opened: OpenedBench,
    *,
    operator_name: str,
    seed: int | None = None,
    barometer_kpa: float | None = None,
    questions: Questions | None = None,
    tell: Listener = nobody_listens,
    stop_wanted: Callable[[], bool] = never,
) -> BenchCheck:
    """Look whether the bench can be trusted today. Closes the bench at the end.

    Parameters
    ----------
    store, opened, questions, tell, stop_wanted
        As for `benchrig.application.qualification.qualify_valve`.
    operator_name : str
        For the record.
    seed : int or None
        Of a simulated bench.
    barometer_kpa : float or None
        Station pressure now; None: it is asked for.

    Raises
    ------
    BenchError
        Nobody answered, or the outcome cannot be stored. A bench that is at fault is no exception but a failed look.
    """
    asked = questions if questions is not None else Nobody()
    with opened as bench:
        bench.stop_wanted = stop_wanted
        key = key_of(bench, seed)
        operator = operator_for(opened, asked, tell)
        tell(BenchOpened(bench.file.bench.name, bench.file.bench.simulated))
        use_valid_calibrations(bench, store, key, tell, with_check=False, must_answer=False)
        if barometer_kpa is None:
            barometer_kpa = operator.read("barometer", "kPa")
        result = bench_check(
            bench,
            operator,
            operator_name=operator_name,
            program=f"benchrig {__version__}",
            barometer_pa=barometer_kpa * 1000,
            tell=lambda item: tell(Checked(item)),
        )
    done = store.calibration_store.keep_check(key, replace(result, made_on=bench.made_on))
    page: Path | None = None
    try:
        page = write_check_page(result, done, key, pages_folder())
    except OSError as error:
        tell(PageNotWritten(done.name, str(pages_folder()), error.strerror or str(error)))
    return BenchCheck(result, done, key, page, bench.file.check.valid_h)
