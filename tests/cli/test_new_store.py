"""A lost store at the command line, and pages that are never written over another run's."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchrig.application.paths import pages_folder, store_path
from benchrig.cli import cli
from benchrig.records import Store
from benchrig.reports.label import label_html
from benchrig.reports.page import page_html
from benchrig.reports.page_files import label_path, page_path, write_label, write_page
from tests.reports.sample_record import record_into, sample


def said(*arguments: str) -> tuple[int, str, str]:
    done = CliRunner().invoke(cli, list(arguments))
    return done.exit_code, done.stdout, done.stderr


def test_a_store_that_was_lost_is_told_on_every_command_with_what_to_do() -> None:
    record_into(Store(store_path()).recorder(), "aborted")
    store_path().unlink()
    for command in (
        ("records", "list"),
        ("records", "show", "0001"),
        ("report", "0001"),
        ("bench", "history"),
        ("bench", "chart"),
        ("qualify", "--model", "alder-24", "--tag", "T", "--simulated"),
        ("demo",),
    ):
        status, _, stderr = said(*command)
        assert status == 2, command
        assert "a store was kept here" in stderr
        assert "benchrig records new-store" in stderr
    status, stdout, _ = said("records", "list", "--json")
    assert (status, json.loads(stdout)["error"].count("a store was kept here")) == (2, 1)


def test_a_new_store_is_begun_by_will_only() -> None:
    record_into(Store(store_path()).recorder(), "aborted")
    store_path().unlink()
    status, _, stderr = said("records", "new-store")
    assert (status, "--yes" in stderr, store_path().exists()) == (2, True, False)
    status, stdout, _ = said("records", "new-store", "--yes", "--json")
    assert (status, json.loads(stdout)["next_run"]) == (0, "0002")
    assert said("records", "list")[0] == 0


def test_going_on_from_a_backup_needs_one() -> None:
    status, _, stderr = said("records", "new-store", "--from-backup", "--yes")
    assert status == 2
    assert "no backup stands there" in stderr


@pytest.mark.slow
def test_page_and_label_of_another_run_with_the_same_number_are_set_aside() -> None:
    folder = pages_folder()
    first, other = sample("accept", run="0001"), sample("reject", run="0001", tag="other part")
    write_page(first, folder, page_html(first))
    write_label(first, folder, label_html(first))
    before = (page_path(first, folder).read_text(), label_path(first, folder).read_text())
    write_page(first, folder, page_html(first))
    write_label(first, folder, label_html(first))
    assert len(list(folder.iterdir())) == 2
    write_page(other, folder, page_html(other))
    write_label(other, folder, label_html(other))
    assert (folder / "run-0001.other-1.html").read_text() == before[0]
    assert (folder / "run-0001-label.other-1.html").read_text() == before[1]
    assert "other part" in page_path(other, folder).read_text()
    assert isinstance(folder, Path)
