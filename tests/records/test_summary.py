"""The summary of many runs: counted by hand, drift by a slope that is known."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from benchrig.cli import cli
from benchrig.records import Store
from benchrig.records.run_list import RunsWanted
from benchrig.records.summary import CauseCount, Spread, Summary
from benchrig.reports.summary_page import _told, summary_page_html
from benchrig.verdict.judgement import Limit
from tests.records.many_runs import record_many
from tests.reports.sample_record import STARTED

RUNS = 48


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("summary") / "records.sqlite"
    record_many(Store(path), RUNS, drift=1.0)
    return path


@pytest.fixture(scope="module")
def found(path: Path) -> Summary:
    return Store(path).summary(RunsWanted())


def run(path: Path, monkeypatch: pytest.MonkeyPatch, *words: str):
    monkeypatch.setenv("BENCHRIG_HOME", str(path.parent))
    return CliRunner().invoke(cli, ["records", "summary", *words])


@pytest.mark.slow
def test_runs_are_counted_by_verdict_and_parts_by_their_last_run(found: Summary) -> None:
    assert (found.runs, found.parts, found.simulated, found.running) == (RUNS, RUNS, RUNS, 0)
    assert found.verdicts == {"accept": 28, "reject": 12, "undecided": 6, "aborted": 2}
    assert found.accepted_part == pytest.approx(28 / 46)
    assert sum(found.last_verdicts.values()) == 46
    assert found.first == STARTED
    assert found.last == STARTED + timedelta(minutes=10 * (RUNS - 1))


@pytest.mark.slow
def test_rejects_by_cause_are_a_pareto_chart(found: Summary) -> None:
    assert found.causes == (
        CauseCount("stuck closed", 6, pytest.approx(6 / 12)),
        CauseCount("seat leak", 3, pytest.approx(9 / 12)),
        CauseCount("restricted", 2, pytest.approx(11 / 12)),
        CauseCount("sluggish", 1, pytest.approx(1.0)),
    )


@pytest.mark.slow
def test_a_drift_is_told_where_there_is_one_and_nowhere_else(found: Summary) -> None:
    by_name = {each.name: each for each in found.spreads}
    coil = by_name["coil_resistance_20c_ohm"]
    assert len(coil.values) == RUNS
    assert coil.drift is not None
    # 1 ohm over the span, parts scatter by 0.25 ohm: its standard error is 0.25 * sqrt(12 / 48)
    assert coil.drift.change == pytest.approx(1.0, abs=3 * 0.25 * np.sqrt(12 / RUNS))
    assert coil.drift.sure
    assert [each.name for each in found.spreads if each.drift is not None and each.drift.sure] == [coil.name]


@pytest.mark.slow
def test_bounds_and_what_was_not_measured_are_left_out_and_counted(found: Summary) -> None:
    pull_in = next(each for each in found.spreads if each.name == "pull_in_time_ms")
    assert (pull_in.bounds, pull_in.missing, len(pull_in.values)) == (12, 0, 34)
    delay = next(each for each in found.spreads if each.name == "opening_delay_ms")
    assert (delay.bounds, delay.missing, len(delay.values)) == (0, 12, 34)


@pytest.mark.parametrize(
    ("low", "high", "beyond"), [(None, None, 0), (1.5, None, 1), (None, 2.5, 1), (1.0, 3.0, 0), (1.1, 2.9, 2)]
)
def test_what_lies_beyond_the_limit_is_counted(low: float | None, high: float | None, beyond: int) -> None:
    limit = Limit("a", low, high, "")
    assert Spread("m", "a", "ms", np.array([1.0, 2.0, 3.0]), 0, 0, limit, None).beyond == beyond


@pytest.mark.slow
def test_terminal_json_and_page_tell_the_same(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    day = f"{STARTED.astimezone():%Y-%m-%d}"
    done = run(path, monkeypatch, "--day", day, "--page", "--json")
    document = json.loads(done.stdout)
    assert document["verdicts"]["reject"] == 12
    assert document["causes"][0] == {"cause": "stuck closed", "count": 6, "cumulative": pytest.approx(6 / 12)}
    assert document["bench_seconds_median"] == pytest.approx(12.0 + 0.1 * 23, abs=0.11)
    page = Path(document["page"]).read_text(encoding="utf-8")
    assert page.count("<figure") == len([each for each in document["characteristics"] if each["measured"]])
    assert "stuck closed" in page
    assert "Simulated bench" in page
    said = " ".join(run(path, monkeypatch, "--from", day).stdout.split())
    assert "stuck closed ########################" in said
    assert "drifts by" in said
    assert "60.9 % of the runs with a verdict" in said


@pytest.mark.slow
def test_where_there_is_nothing_nothing_is_made_up(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done = run(path, monkeypatch, "--model", "nothing")
    assert done.exit_code == 0
    assert "no runs" in done.stdout
    document = json.loads(run(path, monkeypatch, "--model", "nothing", "--json").stdout)
    assert (document["runs"], document["yield"], document["characteristics"]) == (0, None, [])
    assert run(path, monkeypatch, "--day", "2026-11-25", "--from", "2026-11-25").exit_code == 2


@pytest.mark.slow
def test_what_was_typed_is_never_markup(found: Summary) -> None:
    assert "<b>x</b>" not in summary_page_html(found, "Summary, model <b>x</b>")


def test_values_that_lie_thousands_apart_are_told_in_whole_numbers() -> None:
    """Two figures of such a spread end left of the point, where no number of decimals is."""
    limit = Limit("hold_leak_sccm", None, 2.0, "here")
    wide = Spread("m", "hold_leak_sccm", "sccm", np.linspace(0.0, 9000.0, 10), 0, 0, limit, None)
    assert "median 4500, 90 % from 450 to 8550 sccm" in _told(wide)
