"""`benchrig qualify --batch`: lines of a scanner in, one verdict a part out."""

from __future__ import annotations

import json
import os
import threading
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchrig.application.batch import Fitted, batch_name
from benchrig.application.batch_parts import BatchPart
from benchrig.application.paths import store_path
from benchrig.cli import cli
from benchrig.cli.batch_prompts import TerminalBatchQuestions
from benchrig.cli.live_line import LiveLine
from benchrig.cli.output import plain_console
from benchrig.errors import ConfigError
from benchrig.records import Store
from benchrig.sequencer.steps import flow as flow_step
from simulators import entry
from tests.application.consoles import SHORT
from tests.records.raw_database import raw_database
from tests.sequencer.short_runs import canned_flow, valve


@pytest.fixture(autouse=True)
def short_sequence(monkeypatch: pytest.MonkeyPatch) -> None:
    demo = entry.demo_bench_toml()
    monkeypatch.setattr(entry, "demo_bench_toml", lambda: demo.replace("[sequence]\n", SHORT))
    monkeypatch.setattr(flow_step, "analyse_flow", canned_flow)


def scan(*lines: str, options: tuple[str, ...] = ("--model", "alder-24", "--simulated", "good")) -> Result:
    return CliRunner().invoke(cli, ["qualify", "--batch", *options], input="".join(f"{line}\n" for line in lines))


def tags() -> list[str]:
    return [run.tag for run in reversed(Store(store_path()).runs())]


@pytest.mark.slow
def test_a_scan_and_one_enter_test_a_part_and_a_repeat_is_asked_about():
    done = scan("A-1", "", "A-2", "", "A-1", "", "q")
    assert done.exit_code == 0, done.output
    assert tags() == ["A-1", "A-2"]
    assert "A-1 has been tested at" in done.stderr
    assert done.stderr.count("guard") == 2
    assert "2 tested" in done.stdout
    assert len([line for line in done.stderr.splitlines() if line.endswith("run 0001")]) == 1


@pytest.mark.slow
def test_the_end_of_the_input_ends_the_batch_with_every_part_that_was_begun_judged():
    done = scan("A-1", "", "A-2")
    assert (done.exit_code, tags()) == (0, ["A-1"])


def test_wrong_scans_are_undone_and_nothing_is_tested():
    done = scan("A-1", "-", "", "A-2", "A-3", "q")
    assert done.exit_code == 0
    assert "0 tested" in done.stdout
    assert [tag for tag in ("A-1", "A-2", "A-3") if f"  {tag}   alder-24, core" not in done.stderr] == []
    assert tags() == []


@pytest.mark.slow
def test_a_fault_of_the_bench_ends_the_batch_with_status_3_and_words():
    done = scan("A-1", "", "A-2", "", options=("--model", "alder-24", "--simulated", "good", "--fault", "estop@2"))
    assert done.exit_code == 3
    assert "The batch stops here. 0 tested" in done.stderr
    assert "all outputs off" in done.stderr
    assert "Traceback" not in done.output
    assert len(tags()) == 1


@pytest.mark.slow
def test_a_list_that_was_ended_early_says_so_and_goes_on_without_what_is_done(tmp_path: Path):
    path = tmp_path / "parts.csv"
    path.write_text("tag,model\nA-1,alder-24\nA-2,birch-26\n", encoding="utf-8")
    options = ("--simulated", "good", "--parts", str(path))
    first = scan("", "", "q", options=options)
    assert first.exit_code == 3
    assert "1  of the list not tested yet" in first.stdout
    second = scan("", "", options=(*options, "--json"))
    assert second.exit_code == 0, second.output
    assert "2 parts on the list, 1 of them left out: a finished run since" in second.stderr
    told = json.loads(second.stdout)
    assert ([part["tag"] for part in told["parts"]], told["left"]) == (["A-2"], [])
    assert tags() == ["A-1", "A-2"]


def test_a_bad_line_of_a_list_is_told_with_its_number_before_anything_begins(tmp_path: Path):
    path = tmp_path / "parts.csv"
    path.write_text("tag,reason\nA-1,core\nA-2,gift\n", encoding="utf-8")
    done = scan("A-1", "", options=("--model", "alder-24", "--simulated", "good", "--parts", str(path)))
    assert done.exit_code == 2
    assert "Line 3: The reason 'gift'" in done.stderr
    assert "Tag" not in done.stderr
    assert not store_path().exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--batch", "--simulated", "good"], "Missing option '--model'"),
        (["--model", "alder-24"], "Missing option '--tag'"),
        (["--tag", "A"], "Missing option '--model'"),
        (["--batch", "--model", "alder-24", "--tag", "A"], "--tag is for one part"),
        (["--model", "alder-24", "--tag", "A", "--since", "2026-11-27"], "give --batch too"),
    ],
)
def test_options_that_do_not_go_together_are_refused(arguments, said):
    done = CliRunner().invoke(cli, ["qualify", *arguments])
    assert done.exit_code == 2
    assert said in done.stderr


def test_the_model_may_be_named_once_in_the_environment(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("BENCHRIG_MODEL", "birch-26")
    assert "A-1   birch-26, core" in scan("A-1", "q", options=("--simulated", "good")).stderr


def test_an_enter_that_came_before_the_question_does_not_begin_a_run(monkeypatch: pytest.MonkeyPatch):
    pty = pytest.importorskip("pty", reason="pseudo-terminals are of POSIX")
    keys, terminal = pty.openpty()
    console = plain_console(stderr=True)
    questions = TerminalBatchQuestions(console, LiveLine(console))
    part = BatchPart("A-1", valve(), "core")
    with open(terminal, encoding="utf-8") as stdin:
        monkeypatch.setattr("sys.stdin", stdin)
        os.write(keys, b"\n\n")
        later = threading.Timer(0.05, os.write, (keys, b"-\n"))
        later.start()
        assert questions.fitted(part) is Fitted.BACK
        later.join()
    os.close(keys)


def test_without_a_bench_the_batch_says_so_before_anything_is_scanned():
    done = scan("A-1", "", options=("--model", "alder-24"))
    assert done.exit_code == 2
    assert "No bench" in done.stderr
    assert "Tag" not in done.stderr


@pytest.mark.slow
def test_a_batch_is_found_by_its_name_in_list_summary_and_export_and_its_name_is_sealed(tmp_path: Path):
    done = scan("A-1", "", "q", options=("--model", "alder-24", "--simulated", "good", "--batch-name", "ORDER 17"))
    assert "--batch 'ORDER 17'" in done.stdout
    scan("A-2", "", "q")
    run = CliRunner().invoke
    listed = json.loads(run(cli, ["records", "list", "--batch", "ORDER 17", "--json"]).stdout)
    assert [(each["tag"], each["batch"]) for each in listed] == [("A-1", "ORDER 17")]
    summed = json.loads(run(cli, ["records", "summary", "--batch", "ORDER 17", "--json"]).stdout)
    assert (summed["title"], summed["runs"]) == ("Summary, batch ORDER 17", 1)
    kept = json.loads(run(cli, ["records", "batches", "--json"]).stdout)
    assert [(each["name"], each["parts"]) for each in kept][1] == ("ORDER 17", 1)
    assert kept[1]["accepted"] + kept[1]["rejected"] + kept[1]["undecided"] == 1
    assert "ORDER 17" in run(cli, ["records", "batches"]).stdout
    other = Store(store_path()).run("A-2")
    assert other.intake.batch == f"{other.started.astimezone():%Y-%m-%d} alder-24"
    assert json.loads(run(cli, ["records", "show", "A-1", "--json"]).stdout)["batch"] == "ORDER 17"
    with raw_database(store_path()) as raw:
        raw.execute("UPDATE runs SET batch = 'ORDER 18' WHERE tag = 'A-1'")
    assert [each.says for each in Store(store_path()).verify().faults] == ["not as it was sealed: batch"]


def test_an_empty_name_of_a_batch_is_refused_and_not_replaced():
    done = scan("A-1", "", "q", options=("--model", "alder-24", "--simulated", "good", "--batch-name", ""))
    assert done.exit_code == 2
    assert "cannot be the name of a batch" in done.output


@pytest.mark.parametrize("name", ["", " ", "x" * 61, "two\nlines"])
def test_a_name_that_cannot_be_a_batchs_is_refused_before_anything_is_scanned(name: str):
    with pytest.raises(ConfigError, match="cannot be the name of a batch"):
        batch_name(name)


def test_the_longest_name_of_a_batch_is_taken():
    assert batch_name("x" * 60) == "x" * 60
