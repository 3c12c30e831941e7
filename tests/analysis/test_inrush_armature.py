"""Armatures that move and armatures that do not, from equations of our own (tests/benchmarks/armature_models.py)."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from benchrig.analysis.armature.clicks import combine_clicks
from benchrig.analysis.armature.inrush import analyse_inrush

_PLACE = Path(__file__).parents[1] / "benchmarks" / "armature_models.py"
_SPEC = importlib.util.spec_from_file_location("armature_models", _PLACE)
models = importlib.util.module_from_spec(_SPEC)
sys.modules["armature_models"] = models  # dataclasses look their module up here
_SPEC.loader.exec_module(models)


def valve(n=1, **changes):
    """One plain valve, `n` times: 26 ohm, 13 V, 5 ms at full gap, twice that seated, 9 ms pull-in or so."""
    plain = {  # currents over full current, times in ms, see Parameters
        "resistance_ohm": 26.0, "supply_v": 13.0, "tau_open": 5.0, "ratio": 2.0, "leakage": 0.6, "shape": 0,
        "iron": 0.4, "knee": 12.0, "order": 4.0, "rayleigh": 0.0, "fringe": 0.3, "eddy": 25.0, "inner": 15.0,
        "share": 0.5,
        "coercive": 0.004, "diode": 0.7 / 13.0, "start_flux": 2.8, "spring": 0.25, "vigour": 0.25, "damping": 0.05,
        "cushion": 0.0, "friction": 0.03, "bounce": 0.3, "position": 0.0, "blocked": False, "sag": 0.0, "sag_ms": 20.0,
    }  # fmt: skip
    plain.update(changes)
    kinds = {"shape": np.int64, "blocked": bool}
    return models.Parameters(**{k: np.full(n, v, dtype=kinds.get(k, float)) for k, v in plain.items()})


def mixed(*changes):
    """Several valves in one solution."""
    parts = [valve(**c) for c in changes]
    return models.Parameters(**{k: np.concatenate([p.__dict__[k] for p in parts]) for k in parts[0].__dict__})


DAMPED = {  # flux near the knee, heavy damping: flies for about 20 ms
    "tau_open": 4.2, "ratio": 1.55, "iron": 0.84, "knee": 5.2, "start_flux": 2.2, "spring": 0.7, "vigour": 0.056,
    "damping": 1.4, "cushion": 2.0, "bounce": 0.07, "leakage": 0.53,
}  # fmt: skip
HEAVY = {"blocked": True, "knee": 2.0, "eddy": 9.0, "iron": 0.7, "tau_open": 4.0}  # much eddy current


OFF_S = 0.07
VALVES = {
    "brisk": {},
    "no bounce": {"bounce": 0.0},
    "strong bounce": {"bounce": 0.5},
    "damped": DAMPED,
    "sluggish": {"damping": 8.0},
    "blocked open": {"blocked": True},
    "blocked seated": {"blocked": True, "position": 1.0},
    "saturated open": HEAVY,
    "saturated seated": HEAVY | {"position": 1.0, "knee": 4.0},
    "sagging supply": {"sag": 0.1},
    "sagging supply, blocked": {"sag": 0.1, "blocked": True},
}


@pytest.fixture(scope="module")
def solved():
    """All valves in one solution; steps of 25 us are short enough for these."""
    draws = models.solve(mixed(*VALVES.values()), step_ms=0.025, pulse_ms=1e3 * OFF_S, decay_ms=50.0)
    return draws, {name: k for k, name in enumerate(VALVES)}


def read(draws, k, *, noise=0.01, bits=12, seed=1, every=1, **options):
    rng = np.random.default_rng(seed)
    y = models.measure(draws.current_a(k)[::every], draws.full_a[k], rng, noise=noise, bits=bits)
    return analyse_inrush(draws.time_ms[::every] * 1e-3, y, supply_v=13.0, off_s=OFF_S, **options)


def test_the_models_agree_with_an_independent_solver():
    # scipy's LSODA with its own step control, up to the first arrival
    integrate = pytest.importorskip("scipy.integrate")
    p = valve(friction=0.0)  # dry friction switches, which no step control likes
    draws = models.solve(p, pulse_ms=14.0, decay_ms=0.0)
    arrival = float(draws.arrival_ms[0])
    tables, free = models.iron_tables(p), np.array([True])

    def slopes(_t, state):
        return models._slopes(state[:, None], np.ones(1), True, free, p, tables)[:, 0]

    def seated(_t, state):
        return state[4] - 1.0

    seated.terminal = True
    t = np.arange(0.0, arrival - 0.05, 0.1)
    span = (0.0, arrival + 1.0)
    found = integrate.solve_ivp(
        slopes, span, np.zeros(6), method="LSODA", t_eval=t, events=seated, rtol=1e-7, atol=1e-9
    )
    apart = np.abs(found.y[0] - np.interp(t, draws.time_ms, draws.current[:, 0]))
    assert apart[(t > 0.15) & (t < draws.start_ms[0] - 0.3)].max() < 1e-6
    assert apart.max() < 5e-3  # the first step of the motion is taken up to 10 us late
    assert float(found.t_events[0][0]) == pytest.approx(arrival, abs=0.03)
    assert 5.0 < arrival < 12.0


def test_a_brisk_armature_is_seen_and_timed(solved):
    draws, where = solved
    k = where["brisk"]
    found = read(draws, k)
    assert found.armature_moved is True
    assert found.evidence > 3.0
    assert found.pull_in_time_ms == pytest.approx(draws.arrival_ms[k], abs=max(0.2, 3 * found.pull_in_time_ms_u))
    assert found.pull_in_time_ms_u < 0.2
    assert found.motion_start_ms == pytest.approx(draws.start_ms[k], abs=3 * found.motion_start_ms_u)
    assert found.drop_out_time_ms == pytest.approx(draws.return_ms[k], abs=max(0.5, 3 * found.drop_out_time_ms_u))
    assert found.release_start_ms == pytest.approx(draws.release_ms[k], abs=3 * found.release_start_ms_u)
    assert found.dip_a == pytest.approx(draws.dip[k] * draws.full_a[k], abs=max(0.01, 3 * found.dip_a_u))
    assert found.fit_time_s.shape == found.fit_current_a.shape
    assert len(found.fit_time_s) > 100


def test_the_first_arrival_counts_and_not_the_bounce(solved):
    draws, where = solved
    for name in ("no bounce", "brisk", "strong bounce"):
        k = where[name]
        found = read(draws, k)
        assert found.pull_in_time_ms == pytest.approx(draws.arrival_ms[k], abs=0.3)


def test_a_bounce_is_not_the_arrival_when_there_is_hardly_any_noise(solved):
    # then no parabola fits the cusp of the arrival, but one fits the bounce after it
    draws, where = solved
    for name in ("brisk", "strong bounce"):
        k = where[name]
        for seed in range(3):
            found = read(draws, k, noise=5e-4, bits=16, seed=seed)
            assert found.pull_in_time_ms == pytest.approx(draws.arrival_ms[k], abs=0.15)


def test_a_damped_armature_moves_without_a_dip(solved):
    draws, where = solved
    k = where["damped"]
    assert draws.dip[k] < 0.005
    assert draws.arrival_ms[k] - draws.start_ms[k] > 5.0
    answers = [read(draws, k, seed=s) for s in range(5)]
    assert all(a.armature_moved is True for a in answers)
    assert all(a.dip_a == 0.0 for a in answers)
    timed = [a for a in answers if a.pull_in_time_ms is not None]
    assert len(timed) >= 3
    assert all(abs(a.pull_in_time_ms - draws.arrival_ms[k]) < 3 * a.pull_in_time_ms_u for a in timed)


@pytest.mark.parametrize("name", ["blocked open", "blocked seated", "saturated open", "saturated seated"])
def test_a_blocked_plunger_in_iron_is_never_called_moving(solved, name):
    draws, where = solved
    answers = [read(draws, where[name], seed=s).armature_moved for s in range(10)]
    assert True not in answers
    assert answers.count(False) >= 8


@pytest.mark.parametrize("every", [1, 2, 5])
@pytest.mark.parametrize("bits", [10, 16])
def test_rate_and_resolution_do_not_change_the_answer(solved, every, bits):
    draws, where = solved
    k = where["brisk"]
    found = read(draws, k, every=every, bits=bits)
    assert found.armature_moved is True
    assert found.pull_in_time_ms == pytest.approx(draws.arrival_ms[k], abs=max(0.3, 3 * found.pull_in_time_ms_u))


@pytest.mark.slow
def test_a_fast_record_gives_the_same_answer():
    draws = models.solve(valve(), sample_ms=0.01, pulse_ms=30.0, decay_ms=30.0)
    rng = np.random.default_rng(2)
    y = models.measure(draws.current_a(0), draws.full_a[0], rng)
    found = analyse_inrush(draws.time_ms * 1e-3, y, supply_v=13.0, off_s=0.03)
    assert found.armature_moved is True
    assert found.pull_in_time_ms == pytest.approx(draws.arrival_ms[0], abs=0.15)


def test_scaling_the_current_scales_the_currents_only(solved):
    draws, where = solved
    y = models.measure(draws.current_a(where["brisk"]), draws.full_a[0], np.random.default_rng(4))
    t = draws.time_ms * 1e-3
    one = analyse_inrush(t, y, supply_v=13.0, off_s=OFF_S)
    ten = analyse_inrush(t, 10.0 * y, supply_v=13.0, off_s=OFF_S)
    assert ten.steady_current_a == pytest.approx(10 * one.steady_current_a)
    assert ten.dip_a == pytest.approx(10 * one.dip_a)
    assert ten.resistance_ohm == pytest.approx(one.resistance_ohm / 10)
    assert ten.pull_in_time_ms == pytest.approx(one.pull_in_time_ms)
    assert ten.evidence == pytest.approx(one.evidence)


def test_shifting_the_record_shifts_nothing(solved):
    draws, where = solved
    y = models.measure(draws.current_a(where["brisk"]), draws.full_a[0], np.random.default_rng(4))
    t = draws.time_ms * 1e-3
    one = analyse_inrush(t, y, supply_v=13.0, off_s=OFF_S)
    later = analyse_inrush(t + 7.0, y, supply_v=13.0, on_s=7.0, off_s=7.0 + OFF_S)
    assert later.pull_in_time_ms == pytest.approx(one.pull_in_time_ms, abs=1e-3)
    assert later.drop_out_time_ms == pytest.approx(one.drop_out_time_ms, abs=1e-3)


def test_the_rise_alone_shows_a_dip_and_no_drop_out(solved):
    draws, where = solved
    k = where["brisk"]
    y = models.measure(draws.current_a(k), draws.full_a[k], np.random.default_rng(5))
    keep = draws.time_ms < 1e3 * OFF_S
    found = analyse_inrush(draws.time_ms[keep] * 1e-3, y[keep], supply_v=13.0)
    assert found.armature_moved is True
    assert found.pull_in_time_ms == pytest.approx(draws.arrival_ms[k], abs=0.3)
    assert found.drop_out_time_ms is None
    assert any("drop-out needs the decay" in note for note in found.notes)


def test_a_wrong_freewheel_voltage_does_not_invent_motion(solved):
    draws, where = solved
    for volts in (0.4, 1.0):
        assert read(draws, where["blocked seated"], freewheel_v=volts).armature_moved is not True
        assert read(draws, where["brisk"], freewheel_v=volts).armature_moved is True


def test_a_sagging_supply_with_its_voltage_measured_changes_nothing(solved):
    draws, where = solved
    for name, moved in (("sagging supply", True), ("sagging supply, blocked", False)):
        k = where[name]
        rng = np.random.default_rng(6)
        y = models.measure(draws.current_a(k), draws.full_a[k], rng)
        v = 13.0 * draws.voltage[:, k] + rng.normal(0.0, 0.02, len(y))
        found = analyse_inrush(draws.time_ms * 1e-3, y, voltage_v=v, off_s=OFF_S)
        assert found.armature_moved is moved
        assert found.resistance_ohm == pytest.approx(26.0, rel=0.01)


def test_a_slow_return_is_at_least_bounded(solved):
    draws, where = solved
    k = where["sluggish"]
    found = combine_clicks([read(draws, k, seed=s) for s in range(5)], 120.0).characteristics["drop_out_time_ms"]
    assert draws.return_ms[k] > 40.0
    assert found.bound == "above"
    assert 15.0 < found.value < draws.return_ms[k]


def test_repeated_clicks_agree_within_what_they_state(solved):
    draws, where = solved
    k = where["brisk"]
    results = [read(draws, k, seed=s) for s in range(10)]
    together = combine_clicks(results, 120.0)
    pull_in, spread = (together.characteristics[name] for name in ("pull_in_time_ms", "click_spread_ms"))
    assert (together.pulses, together.moved, together.still) == (10, 10, 0)
    assert pull_in.value == pytest.approx(draws.arrival_ms[k], abs=3 * pull_in.u)
    assert 0.0 < spread.value < 0.5
    assert spread.u > 0.0
    assert np.mean([each.resistance_ohm for each in results]) == pytest.approx(26.0, rel=0.01)


@pytest.mark.slow
def test_a_small_population_of_blocked_plungers_keeps_to_the_calibration():
    blocked = models.solve(
        models.draw_parameters("blocked", 100, np.random.default_rng(77)), pulse_ms=70.0, decay_ms=50.0
    )
    answers = [read(blocked, k, seed=k).armature_moved for k in range(100)]
    assert answers.count(True) <= 1
    assert answers.count(False) >= 90
