"""The strip shows on which side of the limit a value lies."""

from __future__ import annotations

import re

import pytest

from benchrig.analysis.results import Bound, Characteristic
from benchrig.reports.limit_strip import WIDTH, limit_strip_svg
from benchrig.verdict.judgement import Limit


def strip(value: float | None, low: float | None, high: float | None, *, bound: Bound = "", good: bool = True) -> str:
    name = "hold_leak_sccm"
    u = None if bound else 0.1
    return limit_strip_svg(Characteristic(name, value, u, "sccm", "", bound), Limit(name, low, high, ""), good=good)


def mark_x(text: str) -> float:
    found = re.search(r'class="mark good" cx="([\d.]+)"', text)
    assert found is not None
    return float(found.group(1))


def allowed(text: str) -> tuple[float, float]:
    found = re.search(r'class="allowed" x="([\d.]+)" y="3.5" width="([\d.]+)"', text)
    assert found is not None
    return float(found.group(1)), float(found.group(1)) + float(found.group(2))


@pytest.mark.parametrize(("low", "high"), [(None, 5.0), (2.0, None), (2.0, 5.0)])
@pytest.mark.parametrize("value", [1.5, 2.5, 3.0, 4.9, 5.5])
def test_the_mark_lies_within_the_bar_exactly_when_the_value_is_allowed(
    value: float, low: float | None, high: float | None
) -> None:
    text = strip(value, low, high)
    left, right = allowed(text)
    if "cx=" not in text:  # beyond the end: an arrow
        assert value > 2.2 * (low or 0.0) > 0
        return
    inside = (low is None or value >= low) and (high is None or value <= high)
    assert (left <= mark_x(text) <= right) is inside


def test_a_value_far_beyond_is_an_arrow_at_the_end() -> None:
    text = strip(500.0, None, 5.0, good=False)
    assert "cx=" not in text
    found = re.search(r'class="mark bad" d="M([\d.]+) ', text)
    assert found is not None
    assert 0.9 * WIDTH < float(found.group(1)) <= WIDTH


def test_a_bound_is_an_arrow_and_a_missing_value_has_no_mark() -> None:
    assert "cx=" not in strip(4.0, None, 5.0, bound="above")
    assert 'class="mark' in strip(4.0, None, 5.0, bound="above")
    assert 'class="mark' not in strip(None, None, 5.0)


def test_good_and_bad_marks_differ_in_shape() -> None:
    assert "<circle" in strip(3.0, None, 5.0)
    assert "<circle" not in strip(5.5, None, 5.0, good=False)


def test_no_strip_where_there_is_no_scale() -> None:
    one = Characteristic("x", 1.0, 0.1, "", "")
    assert limit_strip_svg(one, None, good=True) == ""
    assert strip(1.0, None, None) == ""
    assert strip(1.0, None, 0.0) == ""
    assert strip(1.0, 3.0, 3.0) == ""
