"""Charts of a check valve: what warns, what does not, and what the page says."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from benchrig.analysis.studies.control_chart import chart, chart_limits
from benchrig.reports.chart_page import chart_page_html, print_chart
from benchrig.reports.chart_plot import chart_svg
from benchrig.reports.chart_words import Charted, chart_document, chart_report
from benchrig.reports.page_files import write_chart_page
from tests.reports.check_valve import history

DRIFTING = history(60, lambda day: 0.0002 * max(0, day - 40))


def test_a_steady_bench_does_not_warn_whatever_the_weather():
    # Chance alone warns on one of these charts in 25 within the 40 days.
    reports = [chart_report(history(60, seed=seed)) for seed in range(10)]
    warned = [report for report in reports if any(each.chart.warnings for each in report.charted if each.chart)]
    assert len(warned) <= 2
    assert any("Nothing has drifted" in report.advice for report in reports)


def test_a_drifting_transducer_is_named_with_what_to_check():
    report = chart_report(DRIFTING)
    assert {each.title for each in report.warns} == {"Transducer less barometer", "Flow at rated vacuum"}
    assert "Measure the check valve once more" in report.advice
    document = chart_document(report, page=None)
    assert document["warns"]
    by_name = {each["name"]: each for each in document["charts"]}
    assert not by_name["coil_resistance_20c_ohm"]["warns"]
    assert "calibrate transducer" in by_name["transducer_less_barometer_pa"]["look"]
    first = next(each for each in by_name["transducer_less_barometer_pa"]["signals"] if each["rule"] == "drift")
    assert (first["run"] < "0055", first["side"]) == (True, "high")


def test_charts_before_the_baseline_is_full_judge_nothing():
    report = chart_report(history(12))
    assert not report.warns
    assert "12 runs so far" in report.advice
    assert {each.why_not for each in report.charted} == {"12 of 20 runs for its limits"}


def test_charts_can_begin_anew_after_a_calibration():
    since = chart_report(DRIFTING, baseline=10, since="0030")
    assert (since.runs[0], len(since.runs)) == ("0030", 31)


def test_without_a_barometer_there_is_no_chart_of_it_and_the_weather_stays_in():
    report = chart_report(history(30, barometer=False))
    assert "transducer_less_barometer_pa" not in {each.name for each in report.charted}


@pytest.mark.slow
def test_the_page_puts_what_warns_first_and_is_the_same_to_the_byte(tmp_path: Path):
    report = chart_report(DRIFTING)
    page = chart_page_html(report)
    assert page == chart_page_html(report)
    assert "Look at the bench" in page
    assert page.index("Flow at rated vacuum") < page.index("Coil resistance at 20")
    assert "SHELF &lt;1&gt;" in page
    assert "<1>" not in page
    assert write_chart_page(report, tmp_path).name == "chart-SHELF-1.html"


def test_the_terminal_says_which_rule_and_what_to_check():
    console = Console(width=100, record=True)
    print_chart(chart_report(DRIFTING), console)
    said = console.export_text()
    assert "the average of the latest values has left its limits" in " ".join(said.split())
    assert "today's station pressure" in said


def test_values_are_told_with_unit_and_with_places_enough_to_tell_them_from_the_limits():
    console = Console(width=120, record=True)
    print_chart(chart_report(DRIFTING), console)
    coil = next(line for line in console.export_text().splitlines() if line.startswith("Coil resistance"))
    latest, low, centre, high = (float(word) for word in coil.split()[5:9])
    assert low < centre < high
    assert low < latest < high
    assert "Ω" in coil


@pytest.mark.slow
def test_values_of_the_baseline_beyond_its_limits_are_told_and_marked_and_not_called_good():
    runs = list(history(40).runs)
    runs[7] = replace(runs[7], values={**runs[7].values, "coil_resistance_20c_ohm": 24.75})
    report = chart_report(replace(history(40), runs=tuple(runs)))
    coil = next(each for each in report.charted if each.name == "coil_resistance_20c_ohm")
    assert coil.odd_in_baseline == (7,)
    page = chart_page_html(report)
    assert "Of the baseline itself 1 of 20 lies beyond the limits: was all well then?" in page
    assert "No rule was ever broken" not in page


def test_one_run_is_one_run():
    assert "1 run so far" in chart_report(history(1)).advice
    console = Console(width=100, record=True)
    print_chart(chart_report(history(1)), console)
    assert ": 1 run\n" in console.export_text()


def test_every_value_of_a_long_history_is_in_the_picture():
    values = 24.7 + 0.01 * np.random.default_rng(3).standard_normal(1000)
    values[701] = 24.9
    limits = chart_limits(values[:20])
    svg = chart_svg(Charted("coil_resistance_20c_ohm", "ohm", ("0001",) * 1000, chart(values, limits, first=20)))
    beads = next(path for path in re.findall(r'd="([^"]*)"', svg) if "h0M" in path)
    points = [tuple(map(float, bead.split())) for bead in beads.removeprefix("M").removesuffix("h0").split("h0M")]
    assert len(points) == 1000
    assert min(points, key=lambda point: point[1]) == points[701]
    # Left to right, in order, and inside the frame.
    assert points == sorted(points)
    assert all(0 <= down <= 82 for _, down in points)


@pytest.mark.slow
def test_charts_are_drawn_without_a_plotting_library():
    code = (
        "import sys; from benchrig.reports.chart_page import chart_page_html; "
        "from benchrig.reports.chart_words import chart_report; from tests.reports.check_valve import history; "
        "assert '<svg' in chart_page_html(chart_report(history(30))); print('matplotlib' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
