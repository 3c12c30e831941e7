"""The physics behind the stranger's coil currents: closed forms, energy, and steps that are fine enough."""

from __future__ import annotations

import dataclasses
import math
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))
from stranger_armature import Barrier, Drive, Mechanics, Run, clamp, diode, march
from stranger_coil import CLASSES
from stranger_magnetics import DiffusionLadder, Gap, Iron, Magnet, ReluctanceNetwork, SaturableCoil
from stranger_valve import Valve, Want, draw_valve, pulse_drives

STILL = Mechanics(mass_kg=0.01, stroke_m=1e-3, preload_n=1.0, spring_n_m=100.0, stuck=True)
HUGE = 1e9


def linear_coils(inductance_h: float) -> list[Magnet]:
    """The three formulations without saturation, eddy currents or motion: all are this inductance."""
    gap = Gap(k_h_m=inductance_h * 1.0e-3, least_m=0.0, fringe_per_m=0.0)
    iron = Iron("power", HUGE, HUGE)
    return [
        ReluctanceNetwork(gap, iron, 1e-3),
        DiffusionLadder(gap, [iron], [0.0], 1e-3),
        SaturableCoil(inductance_h, 0.0, HUGE, 0.0, 1e-3),
    ]


@pytest.mark.parametrize("coil", linear_coils(0.1), ids=lambda c: type(c).__name__)
def test_a_step_of_12_v_on_24_ohm_and_0_1_h_rises_as_the_textbook_says(coil: Magnet) -> None:
    # V/R (1 - exp(-t/tau)), tau = L/R = 4.166667 ms: the closed form in any circuits text, evaluated at t/tau
    run = march(coil, STILL, [Drive(0.03, lambda t, i: 12.0, 24.0)], longest_s=5e-5)
    tau = 0.1 / 24.0
    for parts, amperes in ((0.5, 0.196735), (1.0, 0.316060), (2.0, 0.432332), (3.0, 0.475106), (5.0, 0.496631)):
        assert float(run.at(np.array([parts * tau]))[0]) == pytest.approx(amperes, abs=2e-5)


@pytest.mark.slow
@pytest.mark.parametrize("coil", linear_coils(0.1), ids=lambda c: type(c).__name__)
def test_the_freewheeling_and_the_clamped_current_die_when_the_closed_forms_say(coil: Magnet) -> None:
    # (I0 + Vf/R) exp(-t/tau) - Vf/R: 7.92 ms to 10 % with 0.7 V; tau ln(1 + I0 R / Vz) = 1.199 ms with 36 V
    tau = 0.1 / 24.0
    on = Drive(0.06, lambda t, i: 12.0, 24.0)
    wheel = march(coil, STILL, [on, Drive(0.09, diode(0.7, 1e-4, 0.0), 24.0)], longest_s=2e-5)
    assert float(wheel.at(np.array([0.06 + 7.92e-3]))[0]) == pytest.approx(0.05, abs=2e-4)
    zener = march(coil, STILL, [on, Drive(0.08, clamp(36.0, 8e-3), 24.0)], longest_s=1e-5)
    t = np.array([0.06 + 0.9 * tau * math.log(1.0 + 12.0 / 36.0)])
    assert float(zener.at(t)[0]) == pytest.approx(2.0 * math.exp(-(t[0] - 0.06) / tau) - 1.5, abs=2e-3)


def test_one_eddy_loop_makes_two_time_constants_as_linear_circuit_theory_has_it() -> None:
    outer, core, loop, ohm, volt = 0.02, 0.3, 40.0, 24.0, 12.0
    coil = DiffusionLadder(Gap(0.05, 1e-3, 0.0), [Iron("power", outer, HUGE), Iron("power", core, HUGE)], [loop], 0.0)
    r = coil.gap.r(0.0)
    # d/dt (P1, P2) = A (P1, P2) + (V, 0), with i = (P1 - P2) / outer + r P1
    a = np.array([[-ohm * (1 / outer + r), ohm / outer], [loop / outer, -loop * (1 / outer + 1 / core)]])
    rest = np.linalg.solve(a, [-volt, 0.0])
    values, vectors = np.linalg.eig(a)
    run = march(coil, dataclasses.replace(STILL, stroke_m=0.0), [Drive(0.05, lambda t, i: volt, ohm)], longest_s=2e-5)
    for t in (0.5e-3, 2e-3, 8e-3, 30e-3):
        flux = rest + vectors @ (np.exp(values * t) * np.linalg.solve(vectors, -rest))
        want = (flux[0] - flux[1]) / outer + r * flux[0]
        assert float(run.at(np.array([t]))[0]) == pytest.approx(want, abs=1e-4 * volt / ohm)


def energies(valve: Valve, run: Run) -> tuple[float, float]:
    """What the source gave, and what became of it, J; from the states alone, by the trapezium rule."""
    mech, magnet = valve.mechanics, valve.magnet
    t, i, x, v = (np.array(a) for a in (run.t, run.i, run.x, run.v))
    step = np.diff(t)
    given = float(np.sum(step * 0.5 * (np.array(run.u) * i)[1:] + step * 0.5 * (np.array(run.u) * i)[:-1]))
    ohmic = float(np.sum(step * 0.5 * valve.ohm * (i[1:] ** 2 + i[:-1] ** 2)))
    force = np.array([magnet.force(m, a) for m, a in zip(run.m, run.x, strict=True)])
    work = float(np.sum(0.5 * (force[1:] + force[:-1]) * np.diff(x)))
    if isinstance(magnet, ReluctanceNetwork):  # hysteresis: current of the iron's memory times the change of flux
        memory = np.array([magnet.coercive_a * m[1] for m in run.m])
        iron = float(np.sum(0.5 * (memory[1:] + memory[:-1]) * np.diff([m[0] for m in run.m])))
    else:
        lost = np.array([magnet.loss(m, a, m) for m, a in zip(run.m, run.x, strict=True)])
        iron = float(np.sum(0.5 * step * (lost[1:] + lost[:-1])))
    assert mech.mass_kg > 0.0
    assert v.size == t.size
    return given, ohmic + work + iron + magnet.energy(run.m[-1], run.x[-1])


@pytest.mark.slow
@pytest.mark.parametrize("formulation", ["network", "ladder", "inductance"])
def test_what_the_source_gives_is_heat_work_losses_and_field(formulation: str) -> None:
    """Within 0.1 % of what was given: at the end of the pulse, and after the release."""
    for seed in range(3):
        valve, _ = draw_valve(np.random.default_rng(seed), Want(formulations=(formulation,), coercive=(0.02, 0.08)))
        drives = pulse_drives(valve, 0.06)
        for part in (drives[:1], drives):
            run = march(valve.magnet, valve.mechanics, part, finer=4.0)
            given, found = energies(valve, run)
            assert found == pytest.approx(given, rel=1e-3)
            assert given > 0.0


@pytest.mark.slow
@pytest.mark.parametrize("formulation", ["network", "ladder", "inductance"])
def test_the_armature_gains_the_work_that_the_forces_do_on_it(formulation: str) -> None:
    """From leaving its rest until just before it arrives: kinetic energy, spring, gas, damping and friction; 1 %."""
    for seed in range(3):
        valve, run = draw_valve(np.random.default_rng(seed), Want(formulations=(formulation,)))
        run = march(valve.magnet, valve.mechanics, pulse_drives(valve, 0.06), finer=4.0)
        mech = valve.mechanics
        there = run.first("arrive", 0.0, mech.stroke_m, mech.stroke_m)
        assert there is not None
        last = run.t.index(there.t_s)
        x, v, t = (np.array(a[: last + 1]) for a in (run.x, run.v, run.t))
        v[-1] = there.speed_m_s
        pull = np.array([valve.magnet.force(m, a) for m, a in zip(run.m[: last + 1], x, strict=True)])
        push = np.array([mech.back(a) for a in x])
        drag = mech.damping_n_s_m * v + mech.friction_n * np.tanh(v / 2e-3)
        gained = 0.5 * mech.mass_kg * there.speed_m_s**2
        done = float(np.sum(0.5 * ((pull - push)[1:] + (pull - push)[:-1]) * np.diff(x)))
        lost = float(np.sum(0.5 * ((drag * v)[1:] + (drag * v)[:-1]) * np.diff(t)))
        spent = float(np.sum(0.5 * (pull[1:] + pull[:-1]) * np.diff(x)))
        assert gained == pytest.approx(done - lost, abs=0.01 * spent)


@pytest.mark.slow
@pytest.mark.parametrize("formulation", ["network", "ladder", "inductance"])
def test_half_the_step_changes_no_time_by_more_than_two_microseconds(formulation: str) -> None:
    for seed in range(4):
        valve, run = draw_valve(np.random.default_rng(seed), Want(formulations=(formulation,), restitution=(0.2, 0.4)))
        half = march(valve.magnet, valve.mechanics, pulse_drives(valve, 0.06), finer=2.0)
        stroke = valve.mechanics.stroke_m
        for name, after, at in (("leave", 0.0, 0.0), ("arrive", 0.0, stroke), ("arrive", valve.pulse_s, 0.0)):
            one, two = run.first(name, after, at, at), half.first(name, after, at, at)
            assert one is not None
            assert two is not None
            assert one.t_s == pytest.approx(two.t_s, abs=2e-6)


@pytest.mark.slow
@pytest.mark.parametrize("stranger", CLASSES, ids=lambda c: c.name)
def test_every_class_draws_the_same_record_from_the_same_seed(stranger) -> None:
    one, two = (stranger.make(np.random.default_rng(7)) for _ in range(2))
    assert np.array_equal(one.signal, two.signal)
    assert np.all(np.diff(one.time_s) > 0.0)
    assert np.isfinite(one.signal).all()
    assert one.true


def drawn(name: str, count: int = 4) -> list[dict]:
    (one,) = [c for c in CLASSES if c.name == name]
    return [dict(one.make(np.random.default_rng(k)).true) for k in range(count)]


@pytest.mark.slow
def test_an_armature_that_stops_halfway_has_moved_and_has_no_pull_in_time() -> None:
    for true in drawn("jammed halfway"):
        assert true["armature_moved"] is True
        assert true["pull_in_time_ms"] is None
    for true in drawn("return stopped by a ridge"):
        assert true["armature_moved"] is True
        assert true["pull_in_time_ms"] is not None
        assert true["drop_out_time_ms"] is None


@pytest.mark.slow
def test_a_blocked_armature_has_neither_times_nor_a_dip_and_a_free_one_arrives_after_it_left() -> None:
    for true in drawn("blocked"):
        assert true["armature_moved"] is False
        assert true["pull_in_time_ms"] is true["motion_start_ms"] is true["drop_out_time_ms"] is None
        assert true["dip_a"] == 0.0
    for true in drawn("inductance by position and current"):
        assert 0.0 < true["motion_start_ms"] < true["pull_in_time_ms"]
        assert 3.0 <= true["pull_in_time_ms"] <= 40.0
        assert 2.0 <= true["drop_out_time_ms"] <= 40.0


def test_a_jam_takes_time_and_work_from_no_other_armature() -> None:
    """A barrier beyond the stroke changes nothing."""
    valve, run = draw_valve(np.random.default_rng(3), Want(formulations=("inductance",)))
    far = dataclasses.replace(valve.mechanics, barriers=(Barrier(2.0 * valve.mechanics.stroke_m, 1),))
    again = march(valve.magnet, far, pulse_drives(valve, 0.06))
    assert again.i == run.i
