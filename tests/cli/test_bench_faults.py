"""A fault of the bench is exit status 3 and never a verdict; outputs end off; finished steps stay in the record."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from benchrig.application.paths import store_path
from benchrig.bench.opening import open_registered
from benchrig.cli import cli
from benchrig.records import Store

OFF = "all outputs off, pump stopped, vent open"
# One instant well inside each step of a good alder-24, in bench seconds; checked by the test below.
INSIDE = {"ready": 0.3, "coil": 1.2, "hold": 20.0, "flow": 47.0, "clicks": 53.0}


def qualify(*more: str, condition: str = "good"):
    result = CliRunner().invoke(
        cli, ["qualify", "--model", "alder-24", "--tag", "F-1", "--simulated", condition, "--full", "--json", *more]
    )
    return result, json.loads(result.stdout)


def aborted_run(workshop):
    record = Store(store_path()).run("F-1")
    assert record.ending == "aborted"
    assert record.judgement is None
    return record


@pytest.mark.slow
def test_the_instants_used_here_lie_inside_their_steps():
    qualify()
    steps = {step.name: step for step in Store(store_path()).run("F-1").steps}
    for name, at_s in INSIDE.items():
        assert steps[name].started_s < at_s < steps[name].ended_s


@pytest.mark.slow
@pytest.mark.parametrize("step", INSIDE)
def test_the_serial_link_cut_in_the_middle_of_a_step_is_a_bench_fault(step, workshop):
    result, said = qualify("--fault", f"unplug@{INSIDE[step]}")
    assert result.exit_code == 3
    assert "verdict" not in said
    assert "by itself" in said["bench_state"]
    finished = [each.name for each in aborted_run(workshop).steps]
    assert finished == list(INSIDE)[: list(INSIDE).index(step)]


@pytest.mark.parametrize("at_s", [2.0, 20.0, 45.0])
def test_an_unplugged_board_has_its_outputs_off_within_its_host_silent_limit(at_s, workshop):
    from benchrig.bench.bench import HOST_SILENT_S

    opened = open_registered("simulated", {"model": "alder-24", "condition": "good", "seed": 1, "faults": []})
    bench = opened.bench
    bench.connect()
    bench.arm(60.0)
    from benchrig.bench.wiring import pumping

    bench.switch(pumping(coil=True))
    simulated_bench = opened._close.__self__.simulated_bench
    assert simulated_bench.board.outputs != 0
    simulated_bench.advance_to(bench.clock.now() + HOST_SILENT_S + 0.02)
    assert simulated_bench.board.outputs == 0


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["meter-silent", "meter-late", "meter-garbage", "meter-unplug"])
def test_a_meter_that_fails_in_the_middle_of_a_reading_is_a_bench_fault(fault, workshop):
    result, said = qualify("--fault", f"{fault}@{INSIDE['coil']}")
    assert result.exit_code == 3
    assert "meter" in said["error"].lower()
    assert said["bench_state"] == OFF
    assert said["hint"]
    assert [each.name for each in aborted_run(workshop).steps] == ["ready"]


@pytest.mark.slow
@pytest.mark.parametrize("condition", ["good", "open-coil"])
@pytest.mark.parametrize("at_s", [0.0, INSIDE["coil"]])
def test_a_meter_held_on_another_range_is_a_bench_fault_and_never_an_open_coil(at_s, condition, workshop):
    result, said = qualify("--fault", f"meter-range@{at_s}", condition=condition)
    assert result.exit_code == 3
    assert "range of 100 ohm" in said["error"]
    assert "range" in said["hint"]
    assert said["bench_state"] == OFF
    assert [each.name for each in aborted_run(workshop).steps] == ["ready"]


@pytest.mark.parametrize(
    ("fault", "word"),
    [("supply-off", "supply"), ("estop", "emergency stop"), ("guard", "guard"), ("meter-other", "meter")],
)
def test_a_bench_that_is_not_ready_says_which_part_is_not(fault, word, workshop):
    result, said = qualify("--fault", f"{fault}@0")
    assert result.exit_code in (2, 3)
    assert word in said["error"].lower()
    assert said["hint"]
    assert said["bench_state"] == OFF


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["estop", "guard"])
@pytest.mark.parametrize("step", ["coil", "hold", "flow", "clicks"])
def test_an_interlock_opened_in_a_step_ends_the_run_without_a_verdict(fault, step, workshop):
    result, said = qualify("--fault", f"{fault}@{INSIDE[step]}")
    assert result.exit_code == 3
    assert said["bench_state"] == OFF
    record = aborted_run(workshop)
    assert [each.name for each in record.steps] == list(INSIDE)[: list(INSIDE).index(step)]
    assert record.error


@pytest.mark.slow
def test_the_run_after_a_fault_starts_clean(workshop):
    qualify("--fault", f"estop@{INSIDE['hold']}")
    result, said = qualify()
    assert (result.exit_code, said["verdict"], said["run"]) == (0, "accept", "0002")
