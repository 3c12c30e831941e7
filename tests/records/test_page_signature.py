"""Pages and labels are signed as they are written; a changed, exchanged or foreign one is named."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchrig.application.paths import pages_folder, store_path
from benchrig.cli import cli
from benchrig.records import Store
from tests.helpers import page_file
from tests.records.test_seals import behind
from tests.reports.sample_record import record_into

pytestmark = pytest.mark.slow


@pytest.fixture
def pages() -> Path:
    store = Store(store_path())
    for kind, tag in (("accept", "C-1"), ("reject", "C-2")):
        record_into(store.recorder(), kind, tag=tag)
        assert CliRunner().invoke(cli, ["report", tag]).exit_code == 0
    return pages_folder()


def told(folder: Path) -> tuple[int, list[str]]:
    count, faults = Store(store_path()).check_pages(folder)
    return count, [f"{each.how} {each.what}: {each.says}" for each in faults]


def test_pages_and_labels_as_they_were_written_are_in_order(pages: Path) -> None:
    assert told(pages) == (4, [])
    done = CliRunner().invoke(cli, ["records", "verify"])
    assert done.exit_code == 0
    assert "4 pages and labels" in " ".join(done.stdout.split())
    # A later decision makes the page old, not wrong.
    CliRunner().invoke(cli, ["records", "decide", "C-2", "--scrap", "--because", "x"])
    assert told(pages) == (4, [])


@pytest.mark.parametrize("what", ["", "-label"])
def test_a_word_changed_in_a_file_is_named(pages: Path, what: str) -> None:
    file = page_file(pages, "0002", what)
    file.write_text(file.read_text(encoding="utf-8").replace("Reject", "Accept"), encoding="utf-8")
    assert told(pages) == (4, [f"changed the file {file.name}: something in it was changed since it was made"])
    assert CliRunner().invoke(cli, ["records", "verify"]).exit_code == 3


def test_a_damaged_signature_is_named_and_a_file_without_one_is_left_out(pages: Path) -> None:
    file = page_file(pages, "0001")
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace(" -->\n", " -->\nx"), encoding="utf-8")
    assert told(pages)[1] == [f"changed the file {file.name}: its signature is damaged"]
    file.write_text(text.partition("<!-- signed")[0], encoding="utf-8")
    assert told(pages) == (3, [])


def test_a_page_of_another_run_in_its_place_is_named(pages: Path) -> None:
    file = page_file(pages, "0002")
    shutil.copyfile(page_file(pages, "0001"), file)
    assert told(pages)[1] == [
        f"swapped the file {file.name}: it tells of another record than the one of its number in the store"
    ]


def test_a_page_of_a_run_that_was_taken_away_and_one_of_another_bench_are_named(pages: Path, tmp_path: Path) -> None:
    behind(store_path(), "DELETE FROM runs WHERE id = 2")
    lines = told(pages)[1]
    name = page_file(pages, "0002").name
    assert f"removed the file {name}: the record that it is of is not in the store" in lines
    other = Store(tmp_path / "other" / "records.sqlite")
    record_into(other.recorder(), "accept", tag="C-1")
    record = other.run("C-1")
    (page_file(pages, "0001")).write_text(other.signed(record, "<html></html>\n"), encoding="utf-8")
    assert any("which no bench here has" in line for line in told(pages)[1])


def test_without_the_key_a_page_is_made_all_the_same(pages: Path) -> None:
    shutil.rmtree(store_path().parent / "keys")
    assert CliRunner().invoke(cli, ["report", "C-1"]).exit_code == 0
    assert not (store_path().parent / "keys").exists()
    assert "signed with" not in (page_file(pages, "0001")).read_text(encoding="utf-8")
