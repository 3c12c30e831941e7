"""What a person decides after "ask" is kept: who, when, what, why; and nothing is ever overwritten."""

from __future__ import annotations

import json
import sqlite3

import pytest
from click.testing import CliRunner

from benchrig.application.paths import pages_folder, store_path
from benchrig.cli import cli
from benchrig.records import Store
from tests.helpers import page_file
from tests.records.raw_database import raw_database
from tests.reports.sample_record import record_into


def run(*words: str):
    return CliRunner().invoke(cli, list(words))


@pytest.mark.slow
def test_decisions_are_kept_in_order_and_shown_everywhere() -> None:
    record_into(Store(store_path()).recorder(), "undecided")
    assert (
        run("records", "decide", "C-1042", "--scrap", "--because", "housing cracked", "--operator", "A").exit_code == 0
    )
    done = run("records", "decide", "run:1", "--sell", "--because", "crack is paint", "--operator", "B", "--json")
    decided = json.loads(done.stdout)["decisions"]
    assert [(each["disposition"], each["operator"], each["because"]) for each in decided] == [
        ("scrap", "A", "housing cracked"),
        ("sell", "B", "crack is paint"),
    ]
    shown = run("records", "show", "1").stdout
    assert "scrap" in shown
    assert "by B: crack is paint" in " ".join(shown.split())
    assert run("report", "1").exit_code == 0
    assert "crack is paint" in page_file(pages_folder(), "0001").read_text(encoding="utf-8")
    assert Store(store_path()).run("1").digest_faults() == ()


@pytest.mark.slow
def test_a_decision_needs_what_and_why_and_a_run() -> None:
    record_into(Store(store_path()).recorder(), "undecided")
    assert run("records", "decide", "C-1042", "--because", "x").exit_code == 2
    assert run("records", "decide", "C-1042", "--scrap", "--because", "  ").exit_code == 2
    assert run("records", "decide", "nobody", "--scrap", "--because", "x").exit_code == 2
    assert Store(store_path()).run("1").decisions == ()


@pytest.mark.slow
def test_the_database_refuses_to_change_a_decision() -> None:
    record_into(Store(store_path()).recorder(), "undecided")
    run("records", "decide", "1", "--scrap", "--because", "x")
    with raw_database(store_path()) as raw:
        for statement in ("UPDATE decisions SET because = 'y'", "DELETE FROM decisions"):
            with pytest.raises(sqlite3.IntegrityError, match="decisions are never"):
                raw.execute(statement)
