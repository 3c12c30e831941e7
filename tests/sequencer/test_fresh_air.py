"""Where a leak shows, vapour is looked for in fresh air: told apart there; warm gas tells nothing."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from benchrig.sequencer.steps import fresh_air
from benchrig.sequencer.steps import hold as step
from benchrig.sequencer.steps.fresh_air import CLEAR_PART, FALL_PART, tells_of_no_vapour
from benchrig.sequencer.steps.vapour import FRESH_ODDS, RestRise, vapour_odds
from tests.sequencer.short_runs import Kept, set_in_file, short_run
from tests.sequencer.simulated_hands import simulated

pytestmark = pytest.mark.usefixtures("quick_fill")

WAITED_S = 60.0
"""So long a valve has lain on the bench: fast vapour has filled the manifold, and no longer rises at rest."""


def rise(pa: float, u_pa: float = 1.0, seconds: float = 2.0) -> RestRise:
    return RestRise(pa, u_pa, seconds, 101_325.0, 295.15, fresh=True)


def taken(condition: str, *, model: str = "alder-24", waited_s: float = 0.0, fresh: bool = True, **more):
    _, bench, operator = simulated(condition=condition, model=model, **more)
    set_in_file(bench, "sequence", fresh_air=fresh)
    bench.clock.sleep_until(waited_s)
    sink = Kept()
    finished = short_run(sink, bench, model=model, operator=operator, full=False)
    return finished, {each.name: each for each in sink.steps}


# --- what the look tells ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("by", [-0.1, 0.1])
def test_less_than_a_part_of_the_leaks_own_rise_is_no_vapour(by):
    # 10 Pa/s for 2 s: 20 Pa; two standard uncertainties are 2 Pa
    assert tells_of_no_vapour(rise(CLEAR_PART * 20.0 - 2.0 + by), 10.0) is (by < 0)


@pytest.mark.parametrize("by", [-0.1, 0.1])
def test_gas_that_falls_by_much_of_what_the_leak_would_rise_hides_vapour(by):
    assert tells_of_no_vapour(rise(-FALL_PART * 20.0 + 2.0 + by), 10.0) is (by > 0)


def test_without_vapour_in_fresh_air_there_is_hardly_any():
    assert vapour_odds(rise(1.0), (0.0, 0.0)) == {"vapour_odds": FRESH_ODDS}
    assert vapour_odds(rise(100.0), (0.0, 0.0)) == {}


# --- whole runs -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("model", ["alder-24", "birch-26"])
def test_a_leak_near_its_limit_is_no_vapour_in_fresh_air_and_is_measured_in_half_the_time(model):
    finished, steps = taken("seat-leak", model=model, value=3.2, seed=11)
    hold = steps["hold"]
    assert hold.readings["held for"][0] < 15.0
    assert hold.readings["rise at rest in fresh air"][0] == pytest.approx(0.0, abs=6.0)
    assert any("looked for vapour in fresh air" in note for note in hold.notes)
    (leak,) = hold.characteristics
    assert abs(leak.value - 3.2) < 3.0 * leak.u
    assert finished.judgement.verdict == "accept"


def test_the_flow_is_measured_from_a_vacuum_that_is_drawn_anew():
    _, steps = taken("seat-leak", value=3.2, seed=11)
    assert not steps["flow"].skipped
    assert min(steps["flow"].traces[0].columns["pressure_pa"]) < 45_000.0


def test_vapour_that_had_filled_the_manifold_rises_in_fresh_air_and_the_valve_is_called_wet():
    finished, steps = taken("wet", waited_s=WAITED_S, severity=0.3, seed=7)
    hold = steps["hold"]
    assert hold.readings["held for"][0] < 15.0
    assert hold.readings["rise at rest in fresh air"][0] > 20.0
    assert (finished.judgement.verdict, finished.judgement.cause) == ("undecided", "wet")


def test_where_the_bench_file_does_not_say_so_no_pump_runs_beside_an_open_vent():
    _, steps = taken("seat-leak", value=3.2, seed=11, fresh=False)
    assert "rise at rest in fresh air" not in steps["hold"].readings


def test_a_tight_valve_is_not_looked_at_in_fresh_air():
    _, steps = taken("good", seed=3)
    assert "rise at rest in fresh air" not in steps["hold"].readings


def test_gas_that_does_not_come_to_rest_tells_nothing_and_the_valve_is_held_once_more(monkeypatch):
    monkeypatch.setattr(step, "rise_in_fresh_air", lambda *_: None)
    _, steps = taken("seat-leak", value=3.2, seed=11)
    assert "rise at rest in fresh air" not in steps["hold"].readings
    assert steps["hold"].readings["held for"][0] == pytest.approx(30.0, abs=0.1)


def test_gas_that_stays_warm_is_swept_again_and_then_given_up(monkeypatch):
    looks = []
    monkeypatch.setattr(fresh_air, "look_at_rest", lambda *_, **__: looks.append(1) or rise(-500.0))
    monkeypatch.setattr(fresh_air, "Room", lambda _: SimpleNamespace(drift_k_s=lambda: (0.0, 0.0)))
    bench = SimpleNamespace(switch=lambda _: None, wait=lambda _: None)
    run = SimpleNamespace(bench=bench, watch=lambda *_: lambda _: None)
    assert fresh_air.rise_in_fresh_air(run, 10.0, 3.0) is None
    assert len(looks) == 4
