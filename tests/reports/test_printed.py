"""On paper: two sheets of A4 or Letter in every case, nothing too small to read, and a code that a scanner reads."""

from __future__ import annotations

import dataclasses
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchrig.analysis.results import Characteristic
from benchrig.bench.traceability import TraceabilityItem
from benchrig.records import RunRecord
from benchrig.records.decisions import Decision
from benchrig.records.label_code import label_code
from benchrig.records.later import Later
from benchrig.reports.label import label_html
from benchrig.reports.page import page_html
from benchrig.sequencer.events import StepResult
from benchrig.verdict.judgement import Judged, Limit
from tests.helpers import absent, need_program
from tests.reports.sample_record import sample

FONTS = ("DejaVu Sans", "Liberation Sans")
"""The widest of the usual fonts, and one of the widths of Arial."""


def controlled(record: RunRecord) -> RunRecord:
    """The same run with a look at the bench without the valve."""
    control = StepResult(
        "control",
        "Bench without the valve",
        54.0,
        96.0,
        readings={"leak of the bench without the valve": (0.048, "sccm"), "vacuum without the valve": (60.3, "kPa")},
        notes=("controlled: without the valve the bench is tight", "the control was made 4 minutes after the flow"),
    )
    return dataclasses.replace(record, steps=(*record.steps, control))


def uncalibrated(record: RunRecord) -> RunRecord:
    bench = dataclasses.replace(
        record.bench,
        uncalibrated=("bench check: the last one is 31 h old, 24 h are allowed", "transducer: expired on 2026-10-01"),
        grounds=(
            TraceabilityItem(
                "volume", 1, "cal-0001: 0.5002 ± 0.0050 L, by known-volume, 2026-11-15 (R. Counter), until 2027-11-15"
            ),
            TraceabilityItem(
                "shunt", 2, "cal-0002: 2.000 ± 0.012 V/A, by meter, 2026-11-15 (R. Counter), until 2027-11-15"
            ),
        ),
        remarks=("the bench file asks for no bench check",),
        address="Unit 4, Foxglove Lane, Nowhere (fictional)",
    )
    return dataclasses.replace(record, bench=bench)


def unknown(record: RunRecord) -> RunRecord:
    """A valve of a model that nobody has the limits of."""
    model = dataclasses.replace(record.model, model="unknown", title="Model not known: general practice")
    return dataclasses.replace(record, model=model, intake=dataclasses.replace(record.intake, model="unknown"))


def longest(record: RunRecord) -> RunRecord:
    """As much as anybody will type."""
    intake = dataclasses.replace(
        record.intake,
        tag="Shelf 12, row B, box 7; " * 12,
        complaint="The engine light comes on after filling up and it smells of fuel. " * 9,
        findings="Light charcoal dust at the inlet, one mounting ear cracked. " * 9,
    )
    return dataclasses.replace(record, intake=intake)


def warmed(record: RunRecord) -> RunRecord:
    """Coil and clicks again with the coil warm: four more rows, all judged."""
    units = {
        "coil_resistance_warm_ohm": "ohm",
        "flow_at_rated_vacuum_warm_lpm_anr": "L/min ANR",
        "pull_in_time_warm_ms": "ms",
        "drop_out_time_warm_ms": "ms",
    }
    rows = tuple(Characteristic(name, 27.31, 0.06, unit, "with the coil at 80 degC") for name, unit in units.items())
    step = StepResult("warm", "Warm coil", 54.0, 254.0, rows, readings={"coil warmed to": (80.2, "degC")})
    assert record.judgement is not None
    judged = tuple(
        Judged(row, Limit(row.name, None, 40.0, "made up"), "pass", 0.999, "clear of the limit") for row in rows
    )
    judgement = dataclasses.replace(record.judgement, judged=(*record.judgement.judged, *judged))
    return dataclasses.replace(record, steps=(*record.steps, step), judgement=judgement)


def wet(record: RunRecord) -> RunRecord:
    assert record.judgement is not None
    judgement = dataclasses.replace(
        record.judgement,
        cause="wet",
        disposition="air out and retest",
        disposition_why="Empty it, air it out outdoors or under a hood, away from sparks, and test it again after 100 "
        "minutes.",
        why="The valve is wet: beside any leak the pressure rises by 6.8 kPa and levels off with 95 s, as vapour of "
        "residual fuel does. A leak may hide behind it.",
    )
    return dataclasses.replace(record, judgement=judgement)


def decided_later(record: RunRecord) -> RunRecord:
    """Two decisions, a withdrawal and a later run since."""
    at = record.started
    decisions = (
        Decision(at, "R. Counter", "clean and retest", "dust in the seat; the customer agreed on the telephone"),
        Decision(at, "R. Counter", "scrap", "one mounting ear is cracked through"),
    )
    later = (
        *(Later(at, "decision", f"decided by {each.operator}: {each.disposition}") for each in decisions),
        Later(at, "withdrawal", "cal-0003 (volume), which it rests on, was withdrawn: the reference vessel was dented"),
        Later(at, "run", "the part was tested again, run 0057: accept"),
    )
    return dataclasses.replace(record, decisions=decisions, later=later)


CASES: dict[str, tuple[RunRecord, RunRecord | None]] = {
    "model not known": (unknown(uncalibrated(sample("undecided"))), None),
    "accept": (sample("accept"), None),
    "reject, controlled": (controlled(sample("reject")), None),
    "undecided": (sample("undecided"), None),
    "aborted": (sample("aborted"), None),
    "wet": (wet(sample("undecided")), None),
    "warm": (warmed(sample("accept")), None),
    "uncalibrated": (uncalibrated(sample("reject")), None),
    "tested before": (sample("accept"), sample("reject", run="0041")),
    "decided and tested again since": (decided_later(sample("reject")), None),
    "long tag and complaint": (longest(sample("reject")), None),
    "all at once": (
        unknown(longest(decided_later(uncalibrated(controlled(warmed(sample("reject"))))))),
        sample("accept", run="0041"),
    ),
}


@pytest.fixture
def tab(browser: Any) -> Iterator[Any]:
    """A tab of its own: the size of a window that was set once changes how the next page is printed."""
    opened = browser.new_page()
    yield opened
    opened.close()


def installed(font: str) -> None:
    """Skip where a font is not installed."""
    if not subprocess.run([need_program("fc-list"), font], capture_output=True, text=True, check=True).stdout:
        absent(f"the font {font} is not installed")


def in_font(html: str, font: str) -> str:
    return html.replace("</style>", f"body {{ font-family: '{font}' !important; }}</style>", 1)


def printed(tab: Any, html: str, path: Path, **options: object) -> Path:
    tab.set_content(html)
    tab.pdf(path=str(path), print_background=True, prefer_css_page_size=True, **options)
    return path


def sheets(path: Path) -> list[str]:
    """The words of each sheet."""
    program = need_program("pdftotext")
    done = subprocess.run([program, "-layout", str(path), "-"], capture_output=True, text=True, check=True)
    return done.stdout.split("\f")[:-1]


@pytest.mark.slow
@pytest.mark.parametrize("font", FONTS)
@pytest.mark.parametrize("case", CASES)
def test_a_run_is_two_sheets_of_a4_and_of_letter(case: str, font: str, tab: Any, tmp_path: Path) -> None:
    installed(font)
    record, before = CASES[case]
    html = in_font(page_html(record, before), font)
    for paper in ("A4", "Letter"):
        found = sheets(printed(tab, html, tmp_path / f"{paper}.pdf", format=paper))
        assert len(found) == 2, f"{case}, {paper}, {font}: {len(found)} sheets"
        for number, words in enumerate(found, start=1):
            assert f"sheet {number} of 2" in words
            assert record.intake.tag[:24] in words
            assert f"run {record.run}" in words
        assert "Signature" in found[0]
        assert "digest of the record" in found[1]


SMALLEST = """() => {
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let least = [1e9, ""];
  for (let node; node = walker.nextNode();) {
    const parent = node.parentElement;
    if (!node.textContent.trim() || parent.closest("style, .unseen")) continue;
    let size = parseFloat(getComputedStyle(parent).fontSize);
    if (parent.getScreenCTM) { const m = parent.getScreenCTM(); size *= Math.hypot(m.a, m.b); }
    if (size < least[0]) least = [size, node.textContent.trim()];
  }
  return least;
}"""


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES)
def test_nothing_on_paper_is_smaller_than_seven_and_a_half_points(case: str, tab: Any) -> None:
    tab.set_viewport_size({"width": 703, "height": 1000})  # what 12 mm margins leave of A4
    tab.emulate_media(media="print")
    tab.set_content(page_html(*CASES[case]))
    px, words = tab.evaluate(SMALLEST)
    assert px * 0.75 >= 7.5, words


SPILLS = """() => [...document.querySelectorAll("table.measured td, table.measured th")]
  .filter(cell => !cell.querySelector(".unseen") && cell.scrollWidth > cell.clientWidth + 1)
  .map(cell => cell.textContent.trim())"""


@pytest.mark.slow
@pytest.mark.parametrize("font", FONTS)
@pytest.mark.parametrize("case", ["accept", "reject, controlled", "undecided", "warm", "all at once"])
def test_no_value_or_limit_runs_into_its_neighbour(case: str, font: str, tab: Any) -> None:
    installed(font)
    html = in_font(page_html(*CASES[case]), font)
    for media, width in (("print", 703), ("print", 726), ("screen", 800), ("screen", 1280)):
        tab.set_viewport_size({"width": width, "height": 1000})
        tab.emulate_media(media=media)
        tab.set_content(html)
        assert tab.evaluate(SPILLS) == [], f"{media}, {width}"


def at_203_dots(path: Path) -> Any:
    """The first sheet as a label printer would print it: black or white, 203 dots to the inch."""
    command = [need_program("pdftoppm"), "-r", "203", "-mono", "-l", "1", str(path)]
    done = subprocess.run(command, capture_output=True, check=True)
    _, size, bits = done.stdout.split(b"\n", 2)
    width, height = map(int, size.split())
    rows = np.frombuffer(bits, dtype=np.uint8).reshape(height, -1)
    return np.where(np.unpackbits(rows, axis=1)[:, :width], 0, 255).astype(np.uint8)


def codes_in(picture: Any) -> list[str]:
    try:
        import zxingcpp
    except ImportError:
        absent("zxing-cpp is not installed")
    return [each.text for each in zxingcpp.read_barcodes(np.ascontiguousarray(picture))]


@pytest.mark.slow
@pytest.mark.parametrize("case", ["accept", "all at once", "longest tag in the code"])
def test_the_code_on_a_page_is_read_at_203_dots_to_the_inch(case: str, tab: Any, tmp_path: Path) -> None:
    record, before = (sample("undecided", tag="C-1042/" * 5), None) if case.startswith("longest") else CASES[case]
    picture = at_203_dots(printed(tab, page_html(record, before), tmp_path / "page.pdf"))
    assert codes_in(picture) == [label_code(record)]


@pytest.mark.slow
@pytest.mark.parametrize("case", ["accept", "uncalibrated", "long tag and complaint", "longest tag in the code"])
def test_the_label_fits_and_its_code_is_read_at_203_dots_to_the_inch(case: str, tab: Any, tmp_path: Path) -> None:
    record = sample("undecided", tag="C-1042/" * 5) if case.startswith("longest") else CASES[case][0]
    path = printed(tab, label_html(record), tmp_path / "label.pdf")
    assert len(sheets(path)) == 1
    picture = at_203_dots(path)
    height, width = picture.shape
    assert (round(width / 203 * 25.4), round(height / 203 * 25.4)) == (62, 29)
    assert codes_in(picture) == [label_code(record)]
    # The run's number stands clear of the code: four white squares of four dots lie between them.
    dark = np.flatnonzero((picture[:, width - 100 :] == 0).any(axis=1))
    gaps = np.diff(dark)
    assert gaps.max() >= 16
