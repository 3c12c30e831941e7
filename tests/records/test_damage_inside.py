"""A file that is damaged inside: an error that names the run and how to go on; the others can be read."""

from __future__ import annotations

import json
import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchrig.application.paths import store_path
from benchrig.cli import cli
from benchrig.errors import BenchError
from benchrig.records import Store
from tests.reports.sample_record import record_into


def change(path: Path, sql: str) -> None:
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("PRAGMA ignore_check_constraints=1")
        assert raw.execute(sql).rowcount == 1
        raw.commit()


@pytest.mark.parametrize("date", ["yesterday", "", "2026-13-45T00:00:00.000000Z", "2026-11-25T09:30:00"])
def test_one_bad_date_hides_neither_its_run_nor_the_others(date: str) -> None:
    for _ in range(2):
        record_into(Store(store_path()).recorder(), "aborted")
    change(store_path(), f"UPDATE runs SET started_at = '{date}' WHERE id = 1")
    assert [(each.run, each.started is None) for each in Store(store_path()).runs()] == [
        ("0002", False),
        ("0001", True),
    ]
    done = CliRunner().invoke(cli, ["records", "list"])
    assert (done.exit_code, "no date" in done.stdout) == (0, True)
    documents = json.loads(CliRunner().invoke(cli, ["records", "list", "--json"]).stdout)
    assert [each["started"] for each in documents][1] is None


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE runs SET started_at = 'yesterday' WHERE id = 1",
        "UPDATE runs SET bench_facts = '{' WHERE id = 1",
        "UPDATE runs SET model_facts = '[]' WHERE id = 1",
        f"UPDATE runs SET bench_facts = '{'[' * 100_000}' WHERE id = 1",
        "UPDATE steps SET notes = '3' WHERE name = 'coil' AND run_id = 1",
    ],
)
def test_a_damaged_run_is_named_in_words_and_in_json(sql: str) -> None:
    for _ in range(2):
        record_into(Store(store_path()).recorder(), "aborted", tag="P")
    change(store_path(), sql)
    done = CliRunner().invoke(cli, ["records", "show", "0001", "--json"])
    said = json.loads(done.stdout)
    assert done.exit_code == 3
    assert "run 0001" in said["error"]
    assert "records list" in said["hint"]
    assert CliRunner().invoke(cli, ["records", "show", "0002"]).exit_code == 0


@pytest.mark.slow
def test_pages_of_the_file_written_over_lose_no_more_than_their_runs_and_make_no_traceback(workshop: Path) -> None:
    path = workshop / "records.sqlite"
    store = Store(path)
    for number in range(12):
        record_into(store.recorder(), "aborted", tag=f"P-{number}")
    whole = path.read_bytes()
    draw = random.Random(5)
    hints = []
    for _ in range(50):
        damaged = bytearray(whole)
        at = draw.randrange(1, len(whole) // 4096) * 4096 + draw.choice((0, draw.randrange(4096)))
        damaged[at : at + 600] = draw.randbytes(600)[: len(damaged) - at]
        path.write_bytes(damaged)
        try:
            store = Store(path, reading=True)
            listed = store.runs()
        except BenchError as error:
            hints.append(error.hint)
            continue
        for each in listed:
            try:
                store.run(f"run:{each.run}")
            except BenchError as error:
                hints.append(error.hint)
    assert hints
    assert all(hints)
