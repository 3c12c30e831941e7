"""A study's file: order, resuming after a cut, and what it refuses."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchrig.analysis.results import Characteristic
from benchrig.errors import BenchError, ConfigError
from benchrig.records.study_file import StudyFile, StudyPlan, planned_order, study_path

AT = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
PARTS, OPERATORS = ("P1", "P2", "P3"), ("Kim", "Lou")
PLAN = StudyPlan(
    "mine", "alder-24", "bench-1", False, PARTS, OPERATORS, 2, ("coil",), planned_order(PARTS, OPERATORS, 2, seed=7), AT
)


def coil(value: float | None, bound: str = "") -> Characteristic:
    why = "" if value is not None else "the coil is open"
    return Characteristic("coil_resistance_20c_ohm", value, 0.01, "ohm", "four wires", bound, why)  # type: ignore[arg-type]


def test_every_operator_measures_every_part_in_a_drawn_order_trial_by_trial():
    order = planned_order(PARTS, OPERATORS, 3, seed=1)
    assert len(set(order)) == len(order) == 18
    assert [trial for *_, trial in order] == [1] * 6 + [2] * 6 + [3] * 6
    for block in range(6):
        assert len({operator for _, operator, _ in order[3 * block : 3 * block + 3]}) == 1
    assert order == planned_order(PARTS, OPERATORS, 3, seed=1)
    assert order != planned_order(PARTS, OPERATORS, 3, seed=2)


def test_what_was_measured_is_there_again_and_the_rest_is_left(tmp_path: Path):
    study = StudyFile.begin(tmp_path / "studies" / "mine.jsonl", PLAN)
    for number, cell in enumerate(PLAN.order[:5]):
        study.add(cell, AT, [coil(24.0 + number)], ["a note"])
    again = StudyFile.read(study.path)
    assert again.plan == PLAN
    assert again.left == PLAN.order[5:]
    assert again.values("coil_resistance_20c_ohm") == study.values("coil_resistance_20c_ohm")
    assert again.stated_u("coil_resistance_20c_ohm") == pytest.approx(0.01)
    assert again.characteristics() == {"coil_resistance_20c_ohm": "ohm"}


def test_a_line_that_was_cut_off_is_taken_away_and_measured_again(tmp_path: Path):
    study = StudyFile.begin(tmp_path / "mine.jsonl", PLAN)
    study.add(PLAN.order[0], AT, [coil(24.0)], [])
    whole = study.path.read_bytes()
    study.path.write_bytes(whole + b'{"part": "P2", "oper')
    again = StudyFile.read(study.path)
    assert again.left == PLAN.order[1:]
    again.add(PLAN.order[1], AT, [coil(25.0)], [])
    assert len(StudyFile.read(study.path).done) == 2


def test_what_was_not_measured_and_what_is_only_a_bound_is_no_value(tmp_path: Path):
    study = StudyFile.begin(tmp_path / "mine.jsonl", PLAN)
    study.add(PLAN.order[0], AT, [coil(None)], [])
    study.add(PLAN.order[1], AT, [coil(120.0, "above")], [])
    name = "coil_resistance_20c_ohm"
    assert study.values(name) == []
    assert study.why_not(PLAN.order[0], name) == " (the coil is open)"
    assert study.why_not(PLAN.order[1], name) == " (above 120)"
    assert study.why_not(PLAN.order[2], name) == " (not measured yet)"


def test_plans_that_differ_say_in_what():
    assert PLAN.same_study(replace(PLAN, begun=datetime(2027, 1, 1, tzinfo=UTC))) == []
    assert PLAN.same_study(replace(PLAN, trials=3, operators=("Kim",))) == ["operators", "trials"]


def test_names_that_could_be_paths_are_refused(tmp_path: Path):
    for name in ("../x", "a/b", "", "A", "x" * 61):
        with pytest.raises(ConfigError, match="cannot be used"):
            study_path(tmp_path, name)


@pytest.mark.parametrize("content", [b"", b"hello\n", b"[1]\n", b'{"benchrig_study": 9}\n', b"\xff\xfe\n"])
def test_a_file_that_is_something_else_is_refused(tmp_path: Path, content: bytes):
    path = tmp_path / "mine.jsonl"
    path.write_bytes(content)
    with pytest.raises(ConfigError, match="not a study's file, or damaged"):
        StudyFile.read(path)


def test_a_place_that_cannot_be_written_is_told(tmp_path: Path):
    (tmp_path / "studies").write_text("a file in the way")
    with pytest.raises(BenchError, match="cannot be written"):
        StudyFile.begin(tmp_path / "studies" / "mine.jsonl", PLAN)
