"""Stored runs judged again: the same by the same limits, other by others; nothing is changed."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchrig.application.judging_again import JudgedAgain, ValueAgain, judge_again
from benchrig.application.paths import demo_folder
from benchrig.catalogue.valve_model import read_model
from benchrig.cli import cli
from benchrig.errors import ConfigError
from benchrig.records import Store

CONDITIONS = ("good", "seat-leak", "stuck-closed", "restricted", "wet")


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    home = tmp_path_factory.mktemp("again")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("BENCHRIG_HOME", str(home))
        for condition in CONDITIONS:
            done = CliRunner().invoke(cli, ["demo", "--condition", condition, "--json"])
            assert done.exit_code in (0, 1, 4), done.output
        done = CliRunner().invoke(cli, ["demo", "--model", "birch-26", "--json"])
        assert done.exit_code == 0, done.output
        yield Store(home / "records.sqlite", reading=True)


def values(found: JudgedAgain) -> list[tuple[str, str, float | None, float | None]]:
    return [(run.run, each.name, each.value, each.u) for run in found.runs for each in run.values]


@pytest.mark.slow
def test_by_the_same_limits_the_same_is_told_and_flow_and_clicks_to_the_last_bit(shared: Store) -> None:
    before = shared.path.read_bytes()
    found = judge_again(shared, [1, 2, 3, 4, 5, 6])
    assert [run.why_not for run in found.runs] == [""] * 6
    assert [run for run in found.runs if run.changed] == []
    for run in found.runs:
        for each in run.values:
            if each.name == "hold_leak_sccm" and each.value_before is not None:
                # The record keeps the uncertainty of the room's drift only roughly.
                assert each.value == pytest.approx(each.value_before, rel=1e-3)
            else:
                assert (each.value, each.u) == (each.value_before, each.u_before), (run.run, each.name)
    assert shared.path.read_bytes() == before


@pytest.mark.slow
def test_the_number_of_jobs_changes_no_bit_and_no_order(shared: Store) -> None:
    one, three = judge_again(shared, [1, 2, 3, 4]), judge_again(shared, [4, 3, 2, 1], jobs=3)
    assert (one.jobs, three.jobs) == (1, 3)
    assert values(one) == values(three)
    assert one.runs == three.runs


@pytest.mark.slow
def test_other_limits_give_other_verdicts_and_change_nothing(shared: Store, tmp_path: Path) -> None:
    file = tmp_path / "stricter.toml"
    text = (demo_folder() / "models" / "alder-24.toml").read_text(encoding="utf-8")
    assert "low = 22\n" in text
    file.write_text(text.replace("low = 22\n", "low = 26.5\n"), encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("BENCHRIG_HOME", str(shared.path.parent))
        done = CliRunner().invoke(cli, ["records", "judge-again", "--model", str(file), "--jobs", "1", "--json"])
        said = CliRunner().invoke(cli, ["records", "judge-again", "--model", str(file), "--jobs", "1"])
    document = json.loads(done.stdout)
    assert document["runs"] == 5  # those of that model
    good = next(run for run in document["changed"] if run["run"] == "0001")
    assert (good["verdict_before"], good["verdict"]) == ("accept", "reject")
    (coil,) = good["values"]
    assert (coil["name"], coil["outcome_before"], coil["outcome"]) == ("coil_resistance_20c_ohm", "pass", "fail")
    assert coil["value"] == coil["value_before"]
    assert "pass -> fail" in " ".join(said.stdout.split())
    assert shared.run("1").verdict == "accept"


@pytest.mark.slow
def test_a_record_that_lacks_something_and_one_without_a_verdict_are_told_apart(
    shared: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    (whole,) = shared.read([1], traces=True)
    bare = replace(whole, steps=tuple(step for step in whole.steps if step.name != "ready"))
    aborted = replace(whole, judgement=None)
    kept = {1: whole, 2: bare, 3: aborted}
    monkeypatch.setattr(Store, "read", lambda _self, numbers, *, traces: iter([kept[number] for number in numbers]))
    found = judge_again(shared, [1, 2, 3])
    assert found.without_verdict == 1
    assert [bool(run.why_not) for run in found.runs] == [False, True]
    assert "'ready'" in found.runs[1].why_not


def test_a_model_file_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="cannot be read"):
        read_model(tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("now", "moved"),
    [
        ({}, False),
        ({"value": 1.0 + 0.9e-3}, False),
        ({"value": 1.0 + 1.1e-3}, True),
        ({"u": 0.1 + 1.1e-3}, True),
        ({"value": None, "u": None}, True),
        ({"outcome": "fail"}, True),
    ],
)
def test_a_value_has_moved_when_it_is_off_by_more_than_a_hundredth_of_its_uncertainty(now: dict, moved: bool) -> None:
    same = ValueAgain("a", "ms", 1.0, 0.1, "pass", 1.0, 0.1, "pass")
    assert replace(same, **now).moved is moved
    assert not math.isnan(same.value or 0.0)
