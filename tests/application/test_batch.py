"""A batch without a terminal: scan, fit, test; repeats noticed, wrong scans undone, gone on with after a stop."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest

from benchrig.application import batch
from benchrig.application.batch import BatchPlan, Fitted, run_batch, seed_of_tag
from benchrig.application.batch_parts import BatchPart, read_parts
from benchrig.application.batch_tally import BatchTally, PartJudged
from benchrig.application.bench_choice import BenchChoice, open_bench
from benchrig.application.events import BatchBegan, BatchPartJudged, BatchStopped, Warned
from benchrig.application.paths import store_path
from benchrig.application.qualification import QualificationRequest
from benchrig.clock import utc_now
from benchrig.errors import BenchError, ConfigError, LinkError, aborted
from benchrig.records import Store
from benchrig.sequencer.events import Intake
from tests.application.consoles import Console
from tests.sequencer.short_runs import valve


class Scanner:
    """Scans what it is given, in that order; `fit` are answers other than Enter, `again` whether repeats are tested."""

    def __init__(self, *tags: str | None, fit=(), again: bool = False) -> None:
        self.during_run = Console()
        self.asked: list[str] = []
        self._tags, self._fit, self._again = list(tags), list(fit), again

    def tag(self, tally: BatchTally, suggested: BatchPart | None) -> str | None:
        if self._tags:
            return self._tags.pop(0)
        return None if suggested is None else suggested.tag

    def again(self, part, earlier) -> bool:
        self.asked.append(f"again {part.tag} after run {earlier.run}")
        return self._again

    def fitted(self, part):
        self.asked.append(f"fit {part.tag}")
        return self._fit.pop(0) if self._fit else Fitted.BEGIN


def of_tag(tag: str) -> BatchPart:
    return BatchPart(tag, valve(), "core")


def not_listed(tag: str) -> BatchPart:
    raise ConfigError(f"{tag} is not on the list.")


def plan(*listed: str, faults: dict[str, str] | None = None, opened: list | None = None) -> BatchPlan:
    def bench(part: BatchPart):
        fault = (faults or {}).get(part.tag)
        found = open_bench(BenchChoice(simulated={"condition": "good", "seed": 1, "faults": [fault] if fault else []}))
        if opened is not None:
            opened.append(found._close.__self__.simulated_bench.board)
        return found

    return BatchPlan(
        "2026-11-27 alder-24",
        not_listed if listed else of_tag,
        lambda part: QualificationRequest(part.model, Intake(part.tag, "alder-24", part.reason, "me"), seed=1),
        bench,
        utc_now() - timedelta(hours=1),
        simulated=True,
        parts=tuple(of_tag(tag) for tag in listed),
    )


@pytest.fixture
def tested(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """No bench: each part is accepted at once, and the store knows of it."""
    tags: list[str] = []

    def at_once(store, opened, request, **_):
        tags.append(request.intake.tag)
        return SimpleNamespace(record=request.intake.tag)

    def known(self, limit, wanted):
        return [SimpleNamespace(ending="finished", run="7")] if wanted.tag in tags else []

    monkeypatch.setattr(batch, "qualify_valve", at_once)
    monkeypatch.setattr(batch, "judged", lambda tag: PartJudged(tag, "7", "accept", None, "sell", 16.0))
    monkeypatch.setattr(Store, "runs", known)
    return tags


def quick(*listed: str) -> BatchPlan:
    return BatchPlan(
        "2026-11-27 alder-24",
        not_listed if listed else of_tag,
        lambda part: QualificationRequest(part.model, Intake(part.tag, "alder-24", part.reason, "me")),
        lambda part: None,  # type: ignore[arg-type, return-value]
        utc_now(),
        simulated=True,
        parts=tuple(of_tag(tag) for tag in listed),
    )


def test_each_part_that_is_scanned_and_fitted_is_tested_and_counted(tested):
    scanner, told = Scanner("A", "B", None), Console()
    tally = run_batch(Store(store_path()), quick(), scanner, tell=told)
    assert tested == ["A", "B"]
    assert scanner.asked == ["fit A", "fit B"]
    assert [len(each.tally.parts) for each in told.of(BatchPartJudged)] == [1, 2]
    assert (tally.count("accept"), tally.count("reject"), tally.seconds_per_valve) == (2, 0, 16.0)


def test_a_repeated_tag_is_asked_about_before_the_part_is_fitted(tested):
    scanner = Scanner("A", "A", None)
    run_batch(Store(store_path()), quick(), scanner)
    assert tested == ["A"]
    assert scanner.asked == ["fit A", "again A after run 7"]
    run_batch(Store(store_path()), quick(), Scanner("A", None, again=True))
    assert tested == ["A", "A"]


def test_a_wrong_scan_is_undone_or_replaced_before_anything_is_tested(tested):
    scanner = Scanner("wrong", "B", "wrong too", None, fit=[Fitted.BACK, Fitted.BEGIN, "C", Fitted.BEGIN])
    run_batch(Store(store_path()), quick(), scanner)
    assert tested == ["B", "C"]
    assert scanner.asked == ["fit wrong", "fit B", "fit wrong too", "fit C"]


def test_the_end_can_be_said_with_a_part_scanned_that_is_then_not_tested(tested):
    assert run_batch(Store(store_path()), quick(), Scanner("A", fit=[Fitted.END])).parts == ()
    assert tested == []


def test_a_list_is_gone_through_in_its_order_or_as_scanned_and_ends_by_itself(tested):
    told = Console()
    tally = run_batch(Store(store_path()), quick("A", "B", "C"), Scanner("C", "not there"), tell=told)
    assert tested == ["C", "A", "B"]
    assert tally.left == ()
    assert [each.text for each in told.of(Warned)] == ["not there is not on the list."]


def test_a_batch_goes_on_with_the_parts_of_its_list_that_have_no_finished_run(tested):
    first = run_batch(Store(store_path()), quick("A", "B", "C"), Scanner("A", None))
    assert first.left == ("B", "C")
    told = Console()
    second = run_batch(Store(store_path()), quick("A", "B", "C"), Scanner(), tell=told)
    assert [each.tested for each in told.of(BatchBegan)] == [("A",)]
    assert tested == ["A", "B", "C"]
    assert second.left == ()


def test_a_tag_that_cannot_be_one_is_told_and_asked_for_again(tested):
    told = Console()
    run_batch(Store(store_path()), quick(), Scanner("A\x07", "B", None), tell=told)
    assert tested == ["B"]
    assert "U+0007" in told.of(Warned)[0].text


def test_a_bench_that_cannot_be_opened_stops_the_batch_and_what_was_done_is_told(tested):
    def gone(part: BatchPart):
        if part.tag == "B":
            raise LinkError("The board is unplugged.")

    broken = replace(quick("A", "B", "C"), bench=gone)
    told = Console()
    with pytest.raises(LinkError):
        run_batch(Store(store_path()), broken, Scanner(), tell=told)
    (stopped,) = told.of(BatchStopped)
    assert [part.tag for part in stopped.tally.parts] == ["A"]
    assert stopped.tally.left == ("B", "C")


@pytest.mark.slow
def test_a_fault_of_the_bench_in_a_run_leaves_the_outputs_off_and_the_part_untested():
    boards: list = []
    told = Console()
    faulty = plan("A", "B", faults={"B": "estop@2"}, opened=boards)
    with pytest.raises(BenchError) as fault:
        run_batch(Store(store_path()), faulty, Scanner(), tell=told)
    assert [board.outputs for board in boards] == [0, 0]
    assert "all outputs off" in aborted(fault.value).bench_state
    (stopped,) = told.of(BatchStopped)
    assert [part.tag for part in stopped.tally.parts] == ["A"]
    again = Console()
    tally = run_batch(Store(store_path()), plan("A", "B"), Scanner(), tell=again)
    assert [each.tested for each in again.of(BatchBegan)] == [("A",)]  # B's aborted run is no finished one
    assert [part.tag for part in tally.parts] == ["B"]


@pytest.mark.slow
def test_only_runs_since_the_batch_began_and_on_a_bench_of_the_same_kind_count_as_tested():
    store, once = Store(store_path()), plan("A")
    run_batch(store, once, Scanner())
    ended = utc_now()
    for changed, tested in (({}, ("A",)), ({"simulated": False}, ()), ({"since": ended}, ())):
        told = Console()
        run_batch(store, replace(once, **changed), Scanner(None), tell=told)
        assert [each.tested for each in told.of(BatchBegan)] == [tested], changed


def test_a_simulated_part_is_the_same_whenever_its_tag_is_scanned_and_another_for_each_tag():
    assert seed_of_tag("A", 1) == seed_of_tag("A", 1)
    assert len({seed_of_tag("A", 1), seed_of_tag("B", 1), seed_of_tag("A", 2)}) == 3


def test_the_tally_counts_causes_of_what_was_not_accepted_most_frequent_first():
    def part(verdict: str, cause: str | None) -> PartJudged:
        return PartJudged("T", "1", verdict, cause, "scrap", 10.0)

    tally = BatchTally((part("reject", "leak"), part("accept", None), part("undecided", None), part("reject", "leak")))
    assert tally.causes == [("reject", "leak", 2), ("undecided", "no cause named", 1)]
    assert (tally.document()["rejected"], tally.document()["undecided"]) == (2, 1)


def listed(folder: Path, text: str, model: str | None = "alder-24"):
    path = folder / "parts.csv"
    path.write_bytes(text.encode())
    return read_parts(path, valve, model=model, reason="core")


def test_a_list_takes_from_the_options_what_its_lines_leave_empty(tmp_path):
    found = listed(tmp_path, '\ufefftag,model,reason,complaint\r\nA,,,\r\n\r\nB,birch-26,return,"stalls, hot"\r\n')
    assert [(p.tag, p.model.model, p.reason, p.complaint) for p in found] == [
        ("A", "alder-24", "core", ""),
        ("B", "birch-26", "return", "stalls, hot"),
    ]
    assert [p.tag for p in listed(tmp_path, "tag\nA\nB\n")] == ["A", "B"]


def test_all_bad_lines_of_a_list_are_told_with_their_numbers(tmp_path):
    with pytest.raises(ConfigError) as refused:
        listed(tmp_path, "tag,model,reason\nA,,\n,,\nA,,\nB,,gift\nC,nothing-24,\n,alder-24,\nD,,,,x\n")
    numbers = [str(each).split(":")[0] for each in refused.value.problems]
    assert numbers == ["Line 4", "Line 5", "Line 6", "Line 7", "Line 8"]
    said = str(refused.value)
    assert "line 2 already" in said
    assert "'gift'" in said
    assert "nothing-24" in said


@pytest.mark.parametrize(
    "text", ["", "tag\n", "tagg,model\nA,\n", "tag;model\nA;alder-24\n", "tag,tag\nA,B\n", 'tag\n"A\n']
)
def test_a_file_that_is_no_list_of_parts_is_refused(tmp_path, text):
    with pytest.raises(ConfigError, match=r"parts\.csv"):
        listed(tmp_path, text)


def test_a_list_without_a_model_anywhere_is_refused(tmp_path):
    with pytest.raises(ConfigError, match="Line 2: There is no model"):
        listed(tmp_path, "tag\nA\n", model=None)
