"""Page and label as PDF: two sheets, whatever stands on them, with embedded fonts and a code that is read."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from benchrig.records.label_code import label_code
from benchrig.records.run_record import RunRecord
from benchrig.reports.pdf import Paper, label_pdf, page_pdf
from tests.helpers import need_program
from tests.reports.sample_record import sample
from tests.reports.test_printed import CASES, at_203_dots, codes_in

pytest.importorskip("typst", reason="PDF is made by typst")
pytestmark = pytest.mark.slow


def told(program: str, *options: str, path: Path) -> str:
    command = [need_program(program), *options, str(path), *(["-"] if program == "pdftotext" else [])]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


@pytest.mark.parametrize("paper", ["a4", "us-letter"])
@pytest.mark.parametrize("case", CASES)
def test_a_page_is_two_sheets_with_all_that_the_html_page_says(case: str, paper: Paper, tmp_path: Path) -> None:
    record, before = CASES[case]
    path = tmp_path / "page.pdf"
    path.write_bytes(page_pdf(record, before, paper=paper))
    said = told("pdfinfo", path=path)
    assert re.search(r"^Pages: +2$", said, re.MULTILINE)
    assert ("A4" if paper == "a4" else "letter") in said
    words = " ".join(told("pdftotext", "-layout", path=path).split())
    for each in (record.run, "sheet 1 of 2", "sheet 2 of 2", "Tested by", record.digest, "Foxglove Lane"):
        assert each in words
    if record.judgement is not None:
        for row in record.judgement.judged:
            assert row.outcome in words
    for line in told("pdffonts", path=path).splitlines()[2:]:
        assert line.split()[-5:-2] == ["yes", "yes", "yes"], line  # embedded, a part of the font, to be searched
    if paper == "a4":
        assert codes_in(at_203_dots(path)) == [label_code(record)]


def test_the_same_record_gives_the_same_bytes() -> None:
    record = sample("reject")
    assert page_pdf(record) == page_pdf(record)
    assert label_pdf(record) == label_pdf(record)


def odd(tag: str) -> RunRecord:
    return sample("undecided", tag=tag, complaint=f"{tag} #let x = [*no*] @here $1$ <end> \\ _")


@pytest.mark.parametrize("tag", ["Клапан-7", "Βαλβίδα 3", "Ventil-ÄÖÜß", "#strong[x]*_`$@<a>", "日本の弁", "صمام"])
def test_tags_of_other_scripts_and_with_signs_of_the_setter_stand_as_they_were_typed(tag: str, tmp_path: Path) -> None:
    path = tmp_path / "page.pdf"
    path.write_bytes(page_pdf(odd(tag)))
    assert "Pages:           2" in told("pdfinfo", path=path)
    words = "".join(told("pdftotext", path=path).split())
    if not re.search(r"[\u0600-\u06ff]", tag):  # a reader gives right-to-left words back in its own order
        assert tag.replace(" ", "") in words
    assert "#letx=[*no*]@here$1$<end>\\_" in words


@pytest.mark.parametrize("case", ["accept", "uncalibrated", "long tag and complaint", "longest tag in the code"])
def test_the_label_is_one_of_62_by_29_mm_and_its_code_is_read_at_203_dots(case: str, tmp_path: Path) -> None:
    record = sample("undecided", tag="C-1042/" * 5) if case.startswith("longest") else CASES[case][0]
    path = tmp_path / "label.pdf"
    path.write_bytes(label_pdf(record))
    picture = at_203_dots(path)
    assert [round(each / 203 * 25.4) for each in picture.shape] == [29, 62]
    assert "Pages:           1" in told("pdfinfo", path=path)
    assert codes_in(picture) == [label_code(record)]
