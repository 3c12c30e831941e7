"""Warm: some faults come with heat only, and a complaint of heat is not answered by a cold test."""

from __future__ import annotations

import json
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner

from benchrig.analysis.results import Characteristic
from benchrig.cli import cli
from benchrig.errors import BenchError
from benchrig.sequencer.steps import warm as warm_step
from benchrig.sequencer.steps.step_output import StepOutput
from benchrig.sequencer.steps.warm import _demand_one_temperature, _Heating, warm
from tests.sequencer.test_control import taken

pytestmark = pytest.mark.usefixtures("quick_fill")

BENCH_C = 22.0


def after(condition: str, *words: str, complaint: str = "stalls only when hot") -> dict:
    part = ("--model", "alder-24", "--tag", "W-1", "--reason", "return", "--complaint", complaint)
    bench = ("--simulated", condition, "--severity", "0.3", "--json")
    done = CliRunner().invoke(cli, ["qualify", *part, *bench, *words])
    return json.loads(done.stdout)


def value(document: dict, name: str) -> dict:
    return next(each for each in document["characteristics"] if each["name"] == name)


def test_a_complaint_of_heat_is_not_answered_by_a_cold_test() -> None:
    document = after("coil-fails-warm")
    assert (document["verdict"], document["disposition"]) == ("accept", "ask")
    assert "The complaint speaks of heat: test it again with --warm" in document["disposition_why"]
    assert "the complaint has another cause" not in json.dumps(document)


def test_without_such_a_complaint_it_says_what_was_tested_and_what_was_not() -> None:
    document = after("good", complaint="engine light on")
    assert document["disposition"] == "return to customer"
    assert "No fault was found in coil, leak, flow and clicks at 22 °C" in document["disposition_why"]
    assert "Not tested: heat, vibration" in document["disposition_why"]


@pytest.mark.parametrize(
    ("condition", "cause", "bound"),
    [("coil-fails-warm", "open coil", "above"), ("joint-fails-warm", "high-resistance joint", None)],
)
def test_what_fails_when_warm_is_found_and_named(condition: str, cause: str, bound: str | None) -> None:
    document = after(condition, "--warm")
    assert (document["verdict"], document["cause"], document["disposition"]) == ("reject", cause, "refund")
    assert value(document, "coil_resistance_20c_ohm")["outcome"] == "pass"
    warm = value(document, "coil_resistance_warm_ohm")
    assert (warm["outcome"], warm["bound"]) == ("fail", bound)


def test_a_good_valve_stands_the_heat_and_the_record_says_how_warm_it_was() -> None:
    finished, steps = taken("alder-24", "good", warm_c=45.0)
    assert finished.judgement.verdict == "accept"
    warm = steps.steps[-1]
    assert warm.name == "warm"
    assert 45.0 <= warm.readings["coil warmed to"][0] < 47.0
    found = {each.name: each for each in warm.characteristics}
    cold = {each.name: each for step in steps.steps[:-1] for each in step.characteristics}
    assert "coil at 45 °C" in found["pull_in_time_warm_ms"].how
    assert found["pull_in_time_warm_ms"].value > cold["pull_in_time_ms"].value  # less current: later
    assert found["coil_resistance_warm_ohm"].value == pytest.approx(cold["coil_resistance_20c_ohm"].value)
    temperature = warm.traces[0].columns["coil_c"]
    assert temperature[0] == pytest.approx(BENCH_C, abs=4.0)
    assert len(temperature) > 20


def test_an_open_coil_cannot_heat_itself() -> None:
    finished, steps = taken("alder-24", "open-coil", warm_c=45.0)
    assert finished.judgement.verdict == "reject"
    assert steps.steps[-1].skipped == "the coil is open: it cannot heat itself"


def test_copper_that_warms_is_temperature_and_a_joint_is_not() -> None:
    heating = _Heating(20.0, 24.0)
    for second in range(40):
        heating.take(float(second), 24.0 * (1.0 + 0.00393 * 0.4 * second))
    assert heating.jumped == 1.0
    assert heating.coil_c[-1] == pytest.approx(35.6)
    heating.take(40.0, 24.0 * (1.0 + 0.00393 * 16.0) * 1.10)
    assert heating.jumped == pytest.approx(1.10, rel=0.01)
    assert heating.coil_c[-1] == pytest.approx(35.6, abs=0.1)


def cold_run(**changes: object) -> Any:
    """A run whose cold steps are done: the coil is sound and the valve opened."""
    cold = Characteristic("coil_resistance_20c_ohm", 24.5, 0.05, "ohm", how="")
    known = {"warm_c": 60.0, "coil": "sound", "cold_resistance": cold, "opened": True, "vacuum_pa": 6e4}
    return SimpleNamespace(**{**known, **changes})


def test_what_the_warm_valve_does_is_not_taken_for_what_the_cold_one_did(monkeypatch: pytest.MonkeyPatch) -> None:
    def warm_flow(run: Any) -> StepOutput:
        run.opened = False
        return StepOutput()

    heated = _Heating(22.0, 24.7, time_s=[100.0], coil_c=[60.0])
    monkeypatch.setattr(warm_step, "_heat", lambda *_: heated)
    monkeypatch.setattr(warm_step, "pulses", lambda *_: ([], [], []))
    monkeypatch.setattr(warm_step, "flow", warm_flow)
    run = cold_run()
    warm(run)
    assert (run.opened, run.warmed_c) == (True, 60.0)


def test_a_coil_that_is_not_sound_is_not_heated(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(warm_step, "_heat", lambda *_: pytest.fail("was heated"))
    for coil in ("open", "short"):
        assert warm(cold_run(coil=coil)).skipped == f"the coil is {coil}: it cannot heat itself"


def test_a_path_that_opens_at_two_temperatures_is_the_plugs_not_the_coils() -> None:
    _demand_one_temperature(_Heating(22.0, 24.7, opened_at_c=[51.0, 58.0]))
    with pytest.raises(BenchError, match="51 °C and 60 °C of the coil: not at one temperature"):
        _demand_one_temperature(_Heating(22.0, 24.7, opened_at_c=[51.0, 60.0]))
