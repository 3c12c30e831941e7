"""What a cluster finds is what one core finds, to the last bit."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from benchrig.application.judging_again import judge_again
from benchrig.application.rehearsal import RehearsalRequest, rehearse_valves
from benchrig.cli import cli
from benchrig.records import Store
from tests.workers.small_cluster import SmallCluster

pytestmark = pytest.mark.slow


def test_stored_runs_judged_again(two: SmallCluster, workshop: Path) -> None:
    for condition in ("good", "seat-leak", "restricted"):
        assert CliRunner().invoke(cli, ["demo", "--condition", condition, "--json"]).exit_code in (0, 1)
    store = Store(workshop / "records.sqlite", reading=True)
    here = judge_again(store, [1, 2, 3], jobs=1)
    there = judge_again(store, [3, 1, 2], scheduler=two.address)
    assert there.runs == here.runs  # floats are compared exactly
    assert [run.why_not for run in there.runs] == ["", "", ""]
    assert there.jobs == 2


def test_valves_rehearsed(two: SmallCluster) -> None:
    here = rehearse_valves(RehearsalRequest(3, 7, workers=1))
    there = rehearse_valves(RehearsalRequest(3, 7, scheduler=two.address))
    assert [each.ending for each in here.tally.results] == ["finished"] * 3
    assert there.tally.results == here.tally.results
    assert there.workers == 2
