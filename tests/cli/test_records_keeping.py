"""`benchrig records archive`, `backup`, `restore`, `verify --code` and `report --pdf` as they are typed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchrig.application.paths import store_path
from benchrig.cli import cli
from benchrig.records import Store
from benchrig.records.label_code import label_code
from tests.reports.sample_record import record_into

pytestmark = pytest.mark.slow


def run(*arguments: str) -> Result:
    return CliRunner().invoke(cli, list(arguments))


@pytest.fixture
def recorded(workshop: Path) -> Path:
    store = Store(store_path())
    for kind in ("accept", "reject"):
        record_into(store.recorder(), kind, tag=f"T-{kind}")
    return workshop


def told(folder: Path, name: str) -> list[object]:
    """What export, report and judge-again make of the traces."""
    folder.mkdir()
    assert run("records", "export", str(folder / "x.csv"), "--traces").exit_code == 0
    assert run("report", "T-reject", "--folder", str(folder)).exit_code == 0
    again = json.loads(run("records", "judge-again", "--jobs", "1", "--json").stdout)
    del again["wall_seconds"]
    shown = json.loads(run("records", "show", "T-accept", "--json").stdout)
    shown.pop("archive", None)
    return [again, shown, *((each.name, each.read_bytes()) for each in sorted(folder.iterdir()))]


def test_export_report_show_and_judge_again_say_the_same_of_archived_traces(recorded: Path, tmp_path: Path) -> None:
    pytest.importorskip("pyarrow.parquet", reason="archives are Parquet files")
    before = told(tmp_path / "before", "before")
    done = run("records", "archive", "--before", "2026-11-26")
    assert done.exit_code == 0, done.output
    assert "traces of 2 runs" in done.stdout
    assert "traces-0001-0002.parquet" in done.stdout
    assert told(tmp_path / "after", "after") == before
    assert "traces of 2 runs in archive files are those that were recorded" in run("records", "verify").stdout


def test_without_the_archive_file_results_are_shown_and_it_is_said_what_is_missing(
    recorded: Path, tmp_path: Path
) -> None:
    pytest.importorskip("pyarrow.parquet", reason="archives are Parquet files")
    run("records", "archive", "--before", "2026-11-26")
    next(recorded.rglob("*.parquet")).unlink()
    shown = run("records", "show", "T-reject")
    assert (shown.exit_code, shown.stdout.startswith("REJECT")) == (0, True)
    assert "traces-0001-0002.parquet" in shown.stdout
    assert run("report", "T-reject", "--folder", str(tmp_path)).exit_code == 0
    (page,) = (each.read_text("utf-8") for each in tmp_path.glob("run-0002-*.html") if "label" not in each.name)
    assert "Pictures are left out" in page
    again = json.loads(run("records", "judge-again", "--jobs", "1", "--json").stdout)
    assert [each["run"] for each in again["not_judged"]] == ["0001", "0002"]
    exported = run("records", "export", str(tmp_path / "x.csv"), "--traces")
    assert exported.stderr.count("is exported without traces") == 2
    assert "1 thing" not in run("records", "verify").stdout


def test_a_date_that_is_none_moves_nothing(recorded: Path) -> None:
    done = run("records", "archive", "--before", "yesterday")
    assert (done.exit_code, "is no date" in done.stderr) == (2, True)


def test_a_copy_is_made_and_gone_on_from(recorded: Path, tmp_path: Path) -> None:
    made = run("records", "backup", str(tmp_path / "copy.sqlite"))
    assert made.exit_code == 0, made.output
    assert "copy.sqlite: 2 runs" in made.stdout
    record_into(Store(store_path()).recorder(), "accept", tag="T-later")
    assert "nobody is there to ask" in run("records", "restore", str(tmp_path / "copy.sqlite")).stderr
    done = run("records", "restore", str(tmp_path / "copy.sqlite"), "--yes")
    assert done.exit_code == 0, done.output
    assert "2 runs; the next one is 0004." in done.stdout
    assert "Newer in the store that was there, and not in this one: 1 run." in done.stdout
    assert "set aside" in done.stdout


def test_a_page_as_pdf_is_signed_and_a_change_in_it_is_found(recorded: Path) -> None:
    pytest.importorskip("typst", reason="PDF is made by typst")
    made = json.loads(run("report", "T-reject", "--pdf", "--json").stdout)
    page = Path(made["page_pdf"])
    assert page.with_suffix(".html") == Path(made["page"])
    assert Path(made["label_pdf"]).with_suffix(".html") == Path(made["label"])
    assert json.loads(run("records", "verify", "--json").stdout)["counts"]["page"] == 4
    page.write_bytes(page.read_bytes().replace(b"/Title", b"/Titel", 1))
    found = json.loads(run("records", "verify", "--json").stdout)["faults"]
    assert [(each["what"], each["how"]) for each in found] == [(f"the file {page.name}", "changed")]


def test_a_scanned_code_is_told_from_one_that_is_out_of_date(recorded: Path) -> None:
    code = label_code(Store(store_path()).run("T-reject"))
    new = run("records", "verify", "--code", code)
    assert (new.exit_code, "nothing came since" in new.stdout) == (0, True)
    run("records", "decide", "T-reject", "--scrap", "--because", "cracked")
    old = run("records", "verify", "--code", code)
    assert (old.exit_code, "out of date" in old.stdout, "scrap, cracked" in old.stdout) == (0, True, True)
    other = run("records", "verify", "--code", code.replace("reject", "accept"))
    assert (other.exit_code, "Do not rely on it" in other.stdout) == (3, True)
