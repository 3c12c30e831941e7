"""`records verify`, `records head`, `records key`; and what `show` and `report` say of a record that was changed."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner, Result

from benchrig.application.paths import pages_folder, store_path
from benchrig.cli import cli
from benchrig.records import Store
from tests.records.test_seals import behind
from tests.reports.sample_record import record_into


def run(*words: str) -> Result:
    return CliRunner().invoke(cli, list(words))


def two_runs() -> None:
    store = Store(store_path())
    record_into(store.recorder(), "accept", tag="C-1")
    record_into(store.recorder(), "reject", tag="C-2")


@pytest.mark.slow
def test_verify_says_that_all_is_as_sealed_and_what_is_not() -> None:
    two_runs()
    done = run("records", "verify")
    assert done.exit_code == 0
    assert "All is as it was sealed." in done.stdout
    assert "2 runs" in done.stdout
    behind(store_path(), "UPDATE runs SET verdict = 'accept' WHERE id = 2")
    done = run("records", "verify")
    assert done.exit_code == 3
    assert "CHANGED   run 0002: not as it was sealed: verdict" in done.stdout
    document = json.loads(run("records", "verify", "--json").stdout)
    assert document["sealed_as_written"] is False
    assert document["faults"] == [{"what": "run 0002", "how": "changed", "says": "not as it was sealed: verdict"}]
    assert [chain["entries"] for chain in document["chains"]] == [5]


@pytest.mark.slow
def test_the_head_that_is_printed_is_taken_back() -> None:
    assert "Nothing" in run("records", "head").stderr
    two_runs()
    said = run("records", "head").stdout
    kept = said.split()[0]
    assert said.startswith("5:")
    assert json.loads(run("records", "head", "--json").stdout)[0]["head"] == kept
    assert run("records", "verify", "--head", kept).exit_code == 0
    assert run("records", "verify", "--head", f"9{kept}").exit_code == 3
    assert run("records", "verify", "--head", "nonsense").exit_code == 2


@pytest.mark.slow
def test_the_keys_are_printed_with_their_files() -> None:
    assert "when the bench is first used" in run("records", "key").stderr
    two_runs()
    (key,) = json.loads(run("records", "key", "--json").stdout)
    assert len(bytes.fromhex(key["public"])) == 32
    said = run("records", "key").stdout
    assert key["public"] in said
    assert key["file"] in said


@pytest.mark.slow
def test_show_and_report_of_a_changed_record_say_so_and_end_with_status_3() -> None:
    two_runs()
    for command in (("records", "show"), ("report",)):
        assert run(*command, "2").exit_code == 0
    label, page = sorted(pages_folder().glob("run-0002-*.html"), key=lambda each: "label" not in each.name)
    whole = json.loads(run("records", "show", "2", "--json").stdout)["seal"]
    assert whole["state"] == "sealed"
    assert f"seal {whole['entry']}:{whole['digest']} by key {whole['key']}" in page.read_text(encoding="utf-8")
    assert f"seal {whole['entry']}:{whole['digest'][:10]}" in label.read_text(encoding="utf-8")
    assert "broken" not in page.read_text(encoding="utf-8").partition("</style>")[2]
    behind(store_path(), "UPDATE runs SET operator = '<b>X</b>' WHERE id = 2")
    shown = run("records", "show", "2")
    assert shown.exit_code == 3
    assert shown.stdout.startswith("THIS RECORD IS NOT AS IT WAS SEALED.")
    assert "run 0002: not as it was sealed: operator" in shown.stdout
    as_json = run("records", "show", "2", "--json")
    assert as_json.exit_code == 3
    assert json.loads(as_json.stdout)["seal"]["state"] == "broken"
    assert run("report", "2").exit_code == 3
    for file in (page, label):
        assert 'class="broken"' in file.read_text(encoding="utf-8").partition("</style>")[2]
    assert "run 0002: not as it was sealed: operator" in page.read_text(encoding="utf-8")
    assert run("records", "show", "1").exit_code == 0


@pytest.mark.slow
def test_a_run_that_was_taken_away_is_told_with_status_3() -> None:
    two_runs()
    behind(store_path(), "DELETE FROM runs WHERE id = 1")
    done = run("records", "show", "1")
    assert done.exit_code == 3
    assert "has been taken out of the store" in done.stderr
