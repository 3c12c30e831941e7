"""The page of a repeatability study: which question was asked, nothing off the sheet, operators told apart in grey."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console

from benchrig.analysis.studies.gauge_ranges import range_study
from benchrig.analysis.studies.gauge_study import gauge_study
from benchrig.analysis.studies.gauge_table import StudyTable
from benchrig.reports.gauge_page import study_page_html
from benchrig.reports.gauge_plot import OPERATOR_MARKS
from benchrig.reports.gauge_terminal import print_study
from benchrig.reports.gauge_words import Studied, StudyReport

NAMES = (
    ("hold_leak_sccm", "sccm", 0.10, 5.0),
    ("coil_resistance_20c_ohm", "ohm", 24.7, 5.0),
    ("flow_at_rated_vacuum_lpm_anr", "L/min ANR", 22.3, None),
    ("sonic_conductance_dm3_s_bar", "dm3/(s bar)", 0.415, None),
    ("critical_pressure_ratio", "", 0.42, None),
    ("opening_delay_ms", "ms", 6.6, 30.0),
    ("pull_in_time_ms", "ms", 8.7, None),
    ("drop_out_time_ms", "ms", 11.2, None),
    ("click_spread_ms", "ms", 0.1, 2.0),
    ("steady_current_a", "A", 0.54, None),
)


def studied(
    name: str, unit: str, middle: float, tolerance: float | None, parts: int = 4, operators: int = 3
) -> Studied:
    """Parts that are much alike: the bench's own spread is about a third of what is seen."""
    draw = np.random.default_rng(len(name))
    of_part = middle * (1 + 0.002 * draw.normal(size=parts))
    values = of_part[:, None, None] + middle * 0.0012 * draw.normal(size=(parts, operators, 3))
    table = StudyTable(values, tuple(f"P{k + 1}" for k in range(parts)), tuple("ABCDEFG"[:operators]))
    study = gauge_study(table, tolerance=tolerance)
    return Studied(name, unit, table, study, range_study(table), tolerance, "made up")


def report(**more: int) -> StudyReport:
    every = tuple(studied(*name, **more) for name in NAMES)
    table = every[0].table
    assert table is not None
    return StudyReport(
        "alike", "alder-24", "bench-1", "made up", "", None, len(table.parts), table.operators, 3, 0.25, every
    )


def test_the_tolerance_decides_where_there_is_one_and_the_words_say_so() -> None:
    leak, flow = studied(*NAMES[0]), studied(*NAMES[2])
    assert leak.study is not None
    assert flow.study is not None
    assert leak.study.tolerance_percent is not None
    assert leak.study.tolerance_percent < 1
    assert leak.study.components["GRR"].study_percent > 30
    assert (leak.study.asked, leak.study.fitness, leak.study.parts_fitness) == ("tolerance", "good", "not fit")
    assert flow.study.asked == "parts"
    console = Console(width=100, record=True)
    print_study(report(), console)
    said = " ".join(console.export_text(clear=False).split())
    assert "Where there is a tolerance it decides" in said
    line = next(line for line in console.export_text(clear=False).splitlines() if "Hold leak" in line)
    assert "fit for its limits" in line


OFF_THE_SHEET = """() => {
  document.querySelectorAll("details").forEach(each => { each.open = true; });
  const sheet = document.querySelector("main").getBoundingClientRect();
  return [...document.querySelectorAll("main *")]
    .filter(each => !each.closest(".unseen, svg, .scrolls") && each.getBoundingClientRect().right > sheet.right + 0.5)
    .map(each => each.outerHTML.slice(0, 60));
}"""


@pytest.mark.slow
@pytest.mark.parametrize("width", [360, 800, 1280])
def test_nothing_leaves_the_sheet_on_a_screen(width: int, browser: Any) -> None:
    tab = browser.new_page(viewport={"width": width, "height": 800})
    tab.set_content(study_page_html(report()))
    assert tab.evaluate(OFF_THE_SHEET) == []
    assert tab.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.slow
def test_four_parts_take_three_sheets_at_most(browser: Any, tmp_path: Path) -> None:
    tab = browser.new_page()
    tab.set_content(study_page_html(report()))
    for paper in ("A4", "Letter"):
        tab.pdf(path=str(tmp_path / "study.pdf"), format=paper, print_background=True, prefer_css_page_size=True)
        sheets = (tmp_path / "study.pdf").read_bytes().count(b"/Type /Page\n")
        assert 1 <= sheets <= 3, paper


def test_operators_are_told_apart_without_colour() -> None:
    assert len({mark for mark, _ in OPERATOR_MARKS}) == len(OPERATOR_MARKS)


@pytest.mark.slow
def test_the_page_leads_with_the_share_of_the_tolerance_and_folds_the_variance_away() -> None:
    page = study_page_html(report())
    assert page == study_page_html(report())
    assert page.index("% of tolerance") < page.index("% of study variation")
    assert page.index('<th scope="row">Opening delay') < page.index('<th scope="row">Flow at rated vacuum')
    before, _, folded = page.partition("<details>")
    assert "Sum of sq." not in before
    assert "Sum of sq." in folded
    assert "<details open" not in page
