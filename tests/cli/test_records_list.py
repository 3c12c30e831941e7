"""`records list`: by part, model, verdict, cause, date, bench; found by an index."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchrig.application.paths import store_path
from benchrig.cli import cli
from benchrig.records import Store
from benchrig.records.run_list import RunsWanted, day_from, day_to
from tests.records.test_looks_by_index import plans, statements
from tests.reports.sample_record import BENCH, STARTED, ended, started, steps

DAY = timedelta(days=1)
RUNS = (  # kind, tag, days after the first, bench
    ("accept", "C-1", 0, "left"),
    ("reject", "C-2", 1, "left"),
    ("undecided", "C-1", 2, "right"),
    ("aborted", "C-3", 3, "right"),
    ("reject", "C-1", 4, "right"),
)


def record(path: Path) -> Store:
    store = Store(path)
    for kind, tag, days, bench in RUNS:
        recorder = store.recorder()
        told = replace(started(tag), at=STARTED + days * DAY, bench=replace(BENCH, name=bench))
        recorder.run_started(told)
        found = steps(kind)
        for step in found:
            recorder.step_finished(replace(step, traces=()))
        recorder.run_ended(replace(ended(kind, found), at=STARTED + days * DAY))
    return store


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Store:
    return record(tmp_path_factory.mktemp("list") / "records.sqlite")


@pytest.fixture
def home(shared: Store, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BENCHRIG_HOME", str(shared.path.parent))
    return shared.path


FIRST = f"{STARTED.astimezone():%Y-%m-%d}"
FOURTH = f"{(STARTED + 3 * DAY).astimezone():%Y-%m-%d}"


@pytest.mark.parametrize(
    ("words", "runs"),
    [
        ((), ["0005", "0004", "0003", "0002", "0001"]),
        (("--tag", "C-1"), ["0005", "0003", "0001"]),
        (("--model", "alder-24", "--most", "2"), ["0005", "0004"]),
        (("--model", "nothing"), []),
        (("--verdict", "reject"), ["0005", "0002"]),
        (("--verdict", "aborted"), ["0004"]),
        (("--cause", "Stuck Closed"), ["0005", "0002"]),
        (("--from", FOURTH), ["0005", "0004"]),
        (("--to", FIRST), ["0001"]),
        (("--from", f"{FIRST}T23:59", "--to", FOURTH), ["0004", "0003", "0002"]),
        (("--bench", "left", "--verdict", "reject"), ["0002"]),
        (("--tag", "C-1", "--bench", "right", "--from", FOURTH), ["0005"]),
        (("--real",), []),
        (("--only-simulated", "--most", "1"), ["0005"]),
    ],
)
def test_runs_are_listed_newest_first_by_what_is_wanted(home: Path, words: tuple[str, ...], runs: list[str]) -> None:
    done = CliRunner().invoke(cli, ["records", "list", *words, "--json"])
    assert done.exit_code == 0, done.output
    assert [each["run"] for each in json.loads(done.stdout)] == runs


@pytest.mark.parametrize("typed", ["yesterday", "2026-13-01", "2026-11-27T25:00", ""])
def test_what_is_no_date_is_told(home: Path, typed: str) -> None:
    done = CliRunner().invoke(cli, ["records", "list", "--from", typed])
    assert done.exit_code == 2
    assert "is no date" in done.stderr


def test_a_day_lasts_from_midnight_to_midnight_where_the_computer_stands() -> None:
    assert day_to("2026-11-27") - day_from("2026-11-27") == DAY
    assert day_from("2026-11-27").astimezone().hour == 0
    assert day_from("2026-11-27T14:30") == day_to("2026-11-27T14:30") == datetime(2026, 11, 27, 14, 30).astimezone()


@pytest.mark.parametrize(
    ("wanted", "index"),
    [
        (RunsWanted(tag="C-1"), "ix_runs_tag"),
        (RunsWanted(verdict="reject"), "ix_runs_verdict_started_at"),
        (RunsWanted(cause="stuck closed"), "ix_runs_cause_started_at"),
        (RunsWanted(bench="left"), "ix_runs_bench_started_at"),
        (RunsWanted(since=STARTED), "ix_runs_started_at"),
        (RunsWanted(before=STARTED, verdict="reject"), "ix_runs_verdict_started_at"),
    ],
)
def test_an_index_finds_them_in_their_order(shared: Store, wanted: RunsWanted, index: str) -> None:
    with statements(shared) as asked:
        shared.runs(5, wanted=wanted)
    found = plans(shared, asked)
    assert any(index in plan for plan in found), found
    with shared._reader.begin() as connection:
        for statement, parameters in asked:
            if "FROM runs" in statement:
                rows = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters).all()
                assert not any("TEMP B-TREE" in row[3] for row in rows), rows


def test_nothing_that_fits_is_said(home: Path) -> None:
    done = CliRunner().invoke(cli, ["records", "list", "--model", "nothing"])
    assert "No runs that fit" in done.stderr
    assert store_path() == home


@pytest.mark.slow
@pytest.mark.parametrize("columns", ["80", "120"])
def test_the_time_of_a_run_stands_on_one_line(workshop: Path, columns: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    record(store_path())
    listed = CliRunner().invoke(cli, ["records", "list"]).stdout
    assert len([line for line in listed.splitlines() if " 2026-11-" in line and ":" in line]) == len(RUNS)
