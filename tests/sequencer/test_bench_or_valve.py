"""The bench is never confused with the valve: what no valve can cause ends the run without a verdict."""

from __future__ import annotations

import json
import re

import pytest
from click.testing import CliRunner

from benchrig.application.paths import model_folders, store_path
from benchrig.application.qualification import QualificationRequest, qualify_valve
from benchrig.bench.bench import Bench
from benchrig.bench.opening import OpenedBench, open_registered
from benchrig.catalogue import Catalogue
from benchrig.cli import cli
from benchrig.errors import BenchError
from benchrig.records import Store
from benchrig.sequencer.events import Intake

pytestmark = pytest.mark.usefixtures("quick_fill")


def qualify(*more: str, model: str = "alder-24", condition: str = "good"):
    result = CliRunner().invoke(
        cli, ["qualify", "--model", model, "--tag", "B-1", "--simulated", condition, "--full", "--json", *more]
    )
    return result.exit_code, json.loads(result.stdout)


def run_with(prepare, model: str = "alder-24"):
    """A run of a good valve on a bench that `prepare(simulated_bench)` has spoilt."""
    opened = open_registered("simulated", {"model": model, "condition": "good", "seed": 1, "faults": []})
    prepare(opened._close.__self__.simulated_bench)
    valve = Catalogue(model_folders()).get(model)
    request = QualificationRequest(valve, Intake("B-1", model, "core", "test"), seed=1, full=True)
    return qualify_valve(Store(store_path()), opened, request)


@pytest.mark.parametrize("model", ["alder-24", "birch-26"])
@pytest.mark.parametrize("at_s", [3.0, 20.0, 41.0, 48.0])
def test_a_supply_that_goes_off_in_the_run_is_never_a_stuck_valve(model, at_s):
    status, said = qualify("--fault", f"supply-off@{at_s}", model=model)
    assert status == 3
    assert "supply" in said["error"].lower()
    assert said["bench_state"] == "all outputs off, pump stopped, vent open"


def test_a_coil_switch_that_never_closes_is_never_a_stuck_valve():
    def no_coil(simulated_bench):
        through = simulated_bench.world.set_outputs
        simulated_bench.world.set_outputs = lambda mask: through(mask & ~0x01)

    with pytest.raises(BenchError, match=r"measures 24\.\d ohm, but only 0\.000 A flows") as caught:
        run_with(no_coil)
    assert "K1" in caught.value.hint


def test_a_meter_without_its_leads_is_never_an_open_coil():
    def no_leads(simulated_bench):
        simulated_bench.world.meter_ohm = lambda wires: float("inf")

    with pytest.raises(BenchError, match="no path through the coil, but") as caught:
        run_with(no_leads)
    assert "leads" in caught.value.hint


@pytest.mark.parametrize("stuck_pa", [-8000.0, 60_000.0, 140_000.0])
def test_a_transducer_that_sticks_in_the_run_is_never_a_verdict(stuck_pa):
    def sticks(simulated_bench):
        simulated_bench.at(10.0, lambda: setattr(simulated_bench.world, "transducer_pa", lambda: stuck_pa))

    with pytest.raises(BenchError, match="Transducer reads"):
        run_with(sticks)


@pytest.mark.usefixtures("real_fill")
def test_a_weak_pump_never_lets_a_valve_pass_the_hold():
    status, said = qualify("--fault", "weak-pump@0")
    assert (status, said["verdict"]) == (4, "undecided")
    leak = next(each for each in said["characteristics"] if each["name"] == "hold_leak_sccm")
    assert leak["outcome"] == "not measured"
    assert "pump" in leak["why"]


def test_no_verdict_is_given_when_the_bench_cannot_be_made_safe(monkeypatch, workshop):
    monkeypatch.setattr(Bench, "make_safe", lambda self: (False, "NOT safe: outputs still on: coil"))
    status, said = qualify()
    assert status == 3
    assert "could not be made safe" in said["error"]
    assert said["bench_state"].startswith("NOT safe")
    shown = json.loads(CliRunner().invoke(cli, ["records", "show", "B-1", "--json"]).stdout)
    assert (shown["ending"], shown["verdict"]) == ("aborted", None)


def test_an_opened_bench_closes_its_links_whatever_happens():
    closed = []
    with pytest.raises(RuntimeError), OpenedBench(None, lambda: closed.append(True)):  # type: ignore[arg-type]
        raise RuntimeError
    assert closed == [True]


def test_a_hose_that_begins_to_leak_during_the_hold_is_the_bench_and_no_seat_leak():
    status, said = qualify("--fault", "line-leak@25")
    assert status == 3
    assert "The bench leaks without the valve" in said["error"]
    assert "hose" in said["hint"]
    assert "verdict" not in said


@pytest.mark.usefixtures("real_fill")
def test_a_slow_transducer_is_no_restricted_valve():
    status, said = qualify("--fault", "transducer-slow@20")
    flow = next(each for each in said["characteristics"] if each["name"] == "flow_at_rated_vacuum_lpm_anr")
    assert (status, said["verdict"], flow["value"]) == (4, "undecided", None)
    assert "the transducer slow" in flow["why"]


@pytest.mark.parametrize("at_s", [6.0, 47.0])
def test_a_coil_switch_stuck_on_is_never_a_valve_stuck_open(at_s):
    status, said = qualify("--fault", f"coil-relay-welded@{at_s}")
    assert status == 3
    assert "flows through the coil, which is switched off" in said["error"]
    assert "K1" in said["hint"]


@pytest.mark.parametrize(
    ("model", "condition", "severity"),
    [
        ("alder-24", "coil-fails-warm", "1"),
        ("birch-26", "coil-fails-warm", "0.5"),
        ("alder-24", "joint-fails-warm", "1"),
    ],
)
def test_a_coil_that_opens_when_warm_is_told_from_a_supply_that_does_not_reach_it(model, condition, severity):
    """The meter, asked again at once, finds the same break: two ways to the coil that share plug and valve alone."""
    status, said = qualify("--severity", severity, "--seed", "5", model=model, condition=condition)
    assert status == 3
    assert "verdict" not in said
    assert re.search(r"only 0\.\d+ A flows.* Measured again at once it shows (no path|\d+\.\d ohm): ", said["error"])
    assert "known-good valve" in said["hint"]
    assert "fails when it warms" in said["hint"]
    assert "K1" not in said["hint"]
    assert said["bench_state"] == "all outputs off, pump stopped, vent open"


@pytest.mark.parametrize("fault", ["coil-relay-dead", "meter-relay-welded"])
def test_a_supply_that_does_not_reach_the_coil_is_told_from_a_coil_that_opens(fault):
    status, said = qualify("--fault", f"{fault}@3.0")
    assert status == 3
    assert re.search(r"only 0\.000 A flows.* Measured again at once it shows 24\.\d ohm\.", said["error"])
    assert "K1" in said["hint"]
    assert "known-good valve" in said["hint"]


def test_a_meter_that_is_gone_by_then_does_not_hide_what_was_found():
    status, said = qualify("--fault", "coil-relay-dead@3.0", "--fault", "meter-unplug@5.0")
    assert status == 3
    assert "only 0.000 A flows" in said["error"]
    assert said["error"].endswith("expected.")
    assert "known-good valve" in said["hint"]


def test_too_much_current_may_be_the_valve_and_a_known_good_one_tells():
    status, said = qualify(condition="reversed-diode")
    assert status == 3
    assert "current was above its limit" in said["error"]
    assert "known-good valve" in said["hint"]
    assert "diode" in said["hint"]
