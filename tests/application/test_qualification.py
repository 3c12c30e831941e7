"""One valve from intake to record and papers, as a batch or a console would have it done."""

from __future__ import annotations

import subprocess
import sys
import threading
from dataclasses import replace

import pytest

from benchrig.application.bench_choice import BenchChoice, open_bench
from benchrig.application.events import (
    BenchOpened,
    PageNotWritten,
    RunOpened,
    StepBegan,
    StepEnded,
    Uncalibrated,
    WarmOffered,
    WorkProgress,
)
from benchrig.application.paths import pages_folder, store_path
from benchrig.application.qualification import QualificationRequest, qualify_valve
from benchrig.bench.opening import OpenedBench
from benchrig.errors import ConfigError, NotCalibrated, aborted
from benchrig.records import Store
from benchrig.sequencer.events import Intake
from tests.application.consoles import Console
from tests.helpers import page_file
from tests.sequencer.short_runs import valve

STEPS = ["ready", "coil", "hold", "flow", "clicks"]


def request(reason="core", complaint="", **more) -> QualificationRequest:
    return QualificationRequest(valve(), Intake("A-1", "alder-24", reason, "me", complaint), seed=1, **more)


def opened(condition: str = "good", *, real: bool = False, hands: bool = True, **options) -> OpenedBench:
    """The simulated bench; `real`: with a file that says it is none, and without hands of its own."""
    found = open_bench(BenchChoice(simulated={"condition": condition, "seed": 1, "faults": [], **options}))
    if real:
        bench = found.bench
        general = bench.file.bench.model_copy(update={"simulated": False})
        bench.loaded = replace(bench.loaded, file=bench.loaded.file.model_copy(update={"bench": general}))
        bench.file = bench.loaded.file
    return OpenedBench(found.bench, found._close, found.hands if hands and not real else None)


def test_a_run_gives_back_its_record_and_papers_and_tells_each_step_as_it_happens():
    console = Console()
    done = qualify_valve(Store(store_path()), opened(), request(), tell=console)
    assert done.record.judgement is not None
    assert done.record.judgement.verdict in ("accept", "undecided")
    assert done.page is not None
    assert done.page.parent == pages_folder()
    assert done.label is not None
    assert done.label.exists()
    assert console.of(RunOpened) == [RunOpened(done.record.run)]
    assert [each.name for each in console.of(StepBegan)] == STEPS
    assert [(each.number, each.of) for each in console.of(StepBegan)] == [(k, 5) for k in range(1, 6)]
    assert [each.step.name for each in console.of(StepEnded)] == STEPS
    assert {each.what for each in console.of(WorkProgress)} >= {"hold", "flow", "clicks"}
    kinds = [type(each) for each in console.events]
    assert kinds.index(BenchOpened) < kinds.index(RunOpened) < kinds.index(StepBegan)


@pytest.mark.slow
def test_the_second_run_of_a_part_knows_the_first():
    first = qualify_valve(Store(store_path()), opened(), request())
    second = qualify_valve(Store(store_path()), opened(), request())
    assert first.before is None
    assert second.before is not None
    assert second.before.run == first.record.run


def test_a_stop_from_another_thread_ends_the_run_with_the_outputs_off_and_a_page():
    stop = threading.Event()
    console = Console()

    def listen(event) -> None:
        console(event)
        if isinstance(event, StepEnded) and event.step.name == "coil":
            pressed = threading.Thread(target=stop.set)
            pressed.start()
            pressed.join()

    bench = opened()
    board = bench._close.__self__.simulated_bench.board
    with pytest.raises(KeyboardInterrupt) as stopped:
        qualify_valve(Store(store_path()), bench, request(), tell=listen, stop_wanted=stop.is_set)
    assert board.outputs == 0
    assert "all outputs off" in aborted(stopped.value).bench_state
    record = Store(store_path()).run(aborted(stopped.value).run)
    assert (record.ending, record.error) == ("aborted", "stopped by the operator")
    assert [step.name for step in record.steps] == ["ready", "coil"]
    assert (page_file(pages_folder(), record.run)).exists()


@pytest.mark.slow
def test_a_real_bench_asks_whether_the_part_is_ready_unless_that_is_known():
    for known, asked in ((False, ["ready"]), (True, [])):
        console = Console()
        plain = request(allow_uncalibrated=True, known_ready=known)
        own = replace(plain, model=plain.model.model_copy(update={"fictional": False}))
        qualify_valve(Store(store_path()), opened(real=True), own, questions=console, tell=console)
        assert console.asked == asked


@pytest.mark.slow
def test_a_run_without_what_its_bench_file_asks_for_is_refused_or_told_as_uncalibrated(monkeypatch):
    bench = opened(real=True)
    check = bench.bench.loaded.file.check.model_copy(update={"needed": True})
    bench.bench.loaded = replace(bench.bench.loaded, file=bench.bench.loaded.file.model_copy(update={"check": check}))
    plain = request()
    own = replace(plain, model=plain.model.model_copy(update={"fictional": False}))
    with pytest.raises(NotCalibrated, match="bench check: none was ever made"):
        qualify_valve(Store(store_path()), bench, own)
    again = opened(real=True)
    again.bench.loaded = bench.bench.loaded
    console = Console()
    qualify_valve(Store(store_path()), again, replace(own, allow_uncalibrated=True), tell=console)
    (told,) = console.of(Uncalibrated)
    assert told.missing[0].startswith("bench check")


@pytest.mark.slow
def test_a_complaint_of_heat_offers_the_warm_test_only_where_somebody_answers():
    for console, asked in ((None, []), (Console(warm=False), ["warm 60"])):
        listener = console or Console()
        qualify_valve(
            Store(store_path()), opened(), request("return", "fails when hot"), questions=console, tell=listener
        )
        assert listener.of(WarmOffered) == [WarmOffered(asked=console is not None)]
        assert listener.asked == asked


@pytest.mark.slow
def test_a_leak_on_a_bench_without_hands_has_the_console_close_the_port():
    bench = opened("seat-leak", hands=False)
    console = Console(bench._close.__self__.hands)
    done = qualify_valve(Store(store_path()), bench, request(), questions=console, tell=console)
    assert "control connect blind-plug" in console.asked
    assert done.record.judgement is not None
    assert done.record.judgement.verdict == "reject"
    assert [step.name for step in done.record.steps] == [*STEPS, "control"]


def test_with_nobody_to_ask_a_leak_is_undecided():
    done = qualify_valve(Store(store_path()), opened("seat-leak", hands=False), request())
    assert done.record.judgement is not None
    assert done.record.judgement.verdict == "undecided"


@pytest.mark.slow
def test_a_page_that_cannot_be_written_is_told_and_the_record_is_safe(workshop):
    workshop.mkdir(parents=True)
    pages_folder().write_text("in the way", encoding="utf-8")
    console = Console()
    done = qualify_valve(Store(store_path()), opened(), request(), tell=console)
    assert (done.page, done.label) == (None, None)
    (told,) = console.of(PageNotWritten)
    assert told.name == done.record.run
    assert Store(store_path()).run(told.name).ending == "finished"


def test_a_fictional_model_is_not_tested_on_a_real_bench():
    with pytest.raises(ConfigError, match="fictional"):
        qualify_valve(Store(store_path()), opened(real=True), request())
    assert Store(store_path()).runs(limit=1) == []


def test_a_model_that_needs_more_vacuum_than_the_bench_draws_is_refused():
    plain = request()
    deep = replace(plain, model=plain.model.model_copy(update={"hold_vacuum_kpa": 95.0}))
    with pytest.raises(ConfigError, match="this bench draws only"):
        qualify_valve(Store(store_path()), opened(), deep)


@pytest.mark.slow
def test_a_run_is_imported_without_the_heavy_parts() -> None:
    program = (
        "import sys, benchrig.application.qualification; from benchrig.sequencer.sequence import STEPS; "
        "print(sorted({'matplotlib', 'scipy', 'pandas', 'statsmodels'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.slow
def test_a_part_whose_tag_is_the_number_of_another_run_does_not_hide_that_run():
    store = Store(store_path())
    tagged = replace(request(), intake=replace(request().intake, tag="0002"))
    assert qualify_valve(store, opened(), tagged).record.run == "0001"
    done = qualify_valve(store, opened(), request())
    assert (done.record.run, done.record.tag) == ("0002", "A-1")
