"""The page of a bench check: whole in itself, every look on it, typed text escaped, the same every time."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from benchrig.bench.check_result import CheckItem, CheckResult
from benchrig.bench.traceability import BenchKey, CheckDone
from benchrig.reports.check_page import check_page_html
from tests.reports.test_page import Outline

NOW = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
LOOKS = (
    CheckItem("supply", "Coil supply", "pass", 13.4523, None, "V", 12.0, 14.8),
    CheckItem(
        "tight", "Tightness, own leak", "fail", 40.14, 0.31, "sccm", -0.8, 1.0, "it leaks", "Reseat the blind plug."
    ),
    CheckItem("line", "Line to the port", "not done", why="a look before it failed"),
)
CHECK = CheckResult(LOOKS, NOW, NOW + timedelta(minutes=2), "R. Counter", 94.0, "ab" * 32, "board", "meter", "benchrig")
DONE = CheckDone(7, passed=False, ended=CHECK.ended, operator="R. Counter", failed=("Tightness, own leak",))
KEY = BenchKey("bench-1", simulated=False)


def test_a_failed_check_shows_every_look_with_what_to_do():
    text = Outline(check_page_html(CHECK, DONE, KEY)).text
    for word in ("check-0007", "Failed", "40.14 ± 0.62 sccm", "12 to 14.8", "Reseat the blind plug.", "not done"):
        assert word in text
    assert "Simulated" not in text


def test_a_passed_check_of_a_simulated_bench_says_both():
    passed = replace(CHECK, items=LOOKS[:1])
    text = Outline(check_page_html(passed, replace(DONE, passed=True), replace(KEY, simulated=True, seed=1))).text
    assert "Passed" in text
    assert "Simulated bench" in text


def test_typed_text_is_data_and_the_page_is_the_same_every_time():
    odd = "<script>alert(1)</script> & {{ 7 * 7 }}"
    page = check_page_html(replace(CHECK, operator=odd), DONE, replace(KEY, name=odd))
    assert "<script>" not in page
    assert "{{ 7 * 7 }}" in page
    assert page == check_page_html(replace(CHECK, operator=odd), DONE, replace(KEY, name=odd))
    assert "http" not in page.replace("http-equiv", "")
