"""The pictures of a summary: counts are whole numbers, and no bar stands on both sides of a limit."""

import re

import numpy as np
import pytest

from benchrig.records.summary import CauseCount, Spread
from benchrig.reports.summary_plot import causes_svg, spread_svg
from benchrig.verdict.judgement import Limit


def numbers(svg: str) -> list[str]:
    return re.findall(r">([\d.]+)</text>", svg)


@pytest.mark.parametrize("most", [1, 2, 3, 5, 7, 40])
def test_rejects_are_counted_in_whole_numbers(most: int) -> None:
    said = numbers(causes_svg((CauseCount("seat leak", most, 1.0),)))
    assert "0" in said
    assert len(said) > 1
    assert not [each for each in said if "." in each]


@pytest.mark.parametrize(("low", "high"), [(None, 5.0), (22.0, None), (22.0, 27.0)])
def test_the_bins_of_a_histogram_meet_at_the_limit(monkeypatch: pytest.MonkeyPatch, low, high) -> None:
    seen: list[np.ndarray] = []
    histogram = np.histogram
    monkeypatch.setattr(np, "histogram", lambda values, bins: seen.append(bins) or histogram(values, bins=bins))
    values = np.array([0.3, 4.9, 23.1, 24.0, 26.9, 31.0])
    spread_svg(
        Spread("alder-24", "hold_leak_sccm", "sccm", values, 0, 0, Limit("hold_leak_sccm", low, high, "here"), None)
    )
    (edges,) = seen
    assert edges[0] <= values.min()
    assert edges[-1] >= values.max()
    for side in (low, high):
        assert side is None or np.min(np.abs(edges - side)) == pytest.approx(0.0, abs=1e-9)
