"""The play of the transducer against closed forms and against its definition, followed sample by sample."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulators.world import BenchParameters, World, draw_valve
from simulators.world.extrema import turning_points
from simulators.world.gas import Gas
from simulators.world.parameters import PortParameters
from simulators.world.trajectory import play

PUMP, ISOLATION, VENT, REFERENCE = 0x04, 0x08, 0x10, 0x20
WIDTH_PA = 400.0


def followed(felt, half, before):
    """The play operator by its definition: moved along only when the input would leave the band around it."""
    shown = []
    for value in felt:
        if value - before > half:
            before = value - half
        elif before - value > half:
            before = value + half
        shown.append(before)
    return np.array(shown)


def test_the_loop_of_a_sine_has_the_area_of_the_closed_form():
    """A play of half width r under a sine of amplitude A runs round a parallelogram of area 4 r (A - r).

    Its sides are 2 r and 2 (A - r): M. A. Krasnosel'skii and A. V. Pokrovskii, "Systems with Hysteresis" (1989).
    """
    half, amplitude = 0.3, 1.7
    felt = amplitude * np.sin(np.linspace(0.0, 4.0 * math.pi, 40_001))
    shown, before = [], 0.0
    for value in felt:
        before = play(before, value, half)
        shown.append(before)
    second = slice(20_000, 40_001)
    area = np.trapezoid(np.array(shown)[second], felt[second])
    assert abs(area) == pytest.approx(4.0 * half * (amplitude - half), rel=1e-6)
    # Prandtl's stop, what is left of the input, never leaves the band and reaches both of its edges
    stop = felt - np.array(shown)
    assert stop.max() == pytest.approx(half, abs=1e-12)
    assert stop.min() == pytest.approx(-half, abs=1e-12)


@given(
    felt=st.tuples(*[st.floats(-1e3, 1e3)] * 4),
    decaying_pa=st.floats(-1e4, 1e4),
    lag_s=st.floats(1e-4, 2.0),
    h=st.floats(1e-4, 2.0),
)
def test_between_turning_points_the_answer_only_rises_or_only_falls(felt, decaying_pa, lag_s, h):
    turns = turning_points(felt, decaying_pa, lag_s, h)
    assert turns == sorted(turns)
    assert len(turns) <= 3
    for begin, end in zip([0.0, *turns], [*turns, h], strict=True):
        s = np.linspace(begin, end, 200)
        answer = felt[0] + s * (felt[1] + s * (felt[2] + s * felt[3])) + decaying_pa * np.exp(-s / lag_s)
        steps = np.diff(answer)
        noise = 1e-12 * np.abs(answer).max() + 1e-6
        assert (steps > -noise).all() or (steps < noise).all()


def up_and_down(width_pa):
    """A pump-down, a rise and a second pump-down, recorded; with a transducer slow enough to overshoot its turns."""
    bench = BenchParameters(transducer_hysteresis_pa=width_pa, transducer_lag_s=0.05)
    world = World(bench, draw_valve("alder-24", "good", 7), seed=7)
    sampler = world.start_sampler(0.0, 1e-4, 25_000)
    for t_s, mask in ((0.1, PUMP | ISOLATION | VENT), (1.0, VENT), (1.2, 0), (1.25, PUMP | ISOLATION | VENT), (2.0, 0)):
        world.advance_to(t_s)
        world.set_outputs(mask)
    world.advance_to(2.5)
    return world, sampler.arrays["transducer_pa"]


@pytest.mark.slow
def test_samples_follow_the_play_of_what_the_element_feels():
    felt_world, felt = up_and_down(0.0)
    world, shown = up_and_down(WIDTH_PA)
    assert world.pressure_pa() == felt_world.pressure_pa()  # nothing but the transducer differs
    expected = followed(felt, WIDTH_PA / 2, felt[0])
    # between two samples the input can turn a little further than either
    assert np.abs(shown - expected).max() < 0.05
    assert (shown - felt).max() == pytest.approx(WIDTH_PA / 2, abs=1e-9)
    assert (shown - felt).min() == pytest.approx(-WIDTH_PA / 2, abs=1e-9)
    assert world.transducer_pa() == pytest.approx(shown[-1], abs=0.1)


def test_without_hysteresis_it_shows_what_it_feels_to_the_last_bit():
    gas = Gas(BenchParameters(transducer_hysteresis_pa=0.0), PortParameters(area_m2=1e-6, seat_m=1e-3))
    gas.pumping = True
    t = 0.0
    while t < 0.5:
        segment = gas.segment(t, 0.5, 0.0)
        middle = 0.5 * (segment.end_s - t)
        assert segment.shown_pa(middle) == segment.felt_pa(middle)
        t = segment.end_s
    assert gas.state.shown_pa == gas.state.felt_pa < 100_000.0


def test_a_falling_and_a_rising_pressure_are_shown_a_width_apart():
    def shown_less_true(mask, to_pa):
        bench = replace(BenchParameters(), transducer_hysteresis_pa=WIDTH_PA, transducer_lag_s=0.0)
        world = World(bench, draw_valve("alder-24", "good", 7), seed=7)
        world.set_outputs(PUMP | ISOLATION | VENT)
        world.advance_to(2.0 if mask else 1.0)
        world.set_outputs(mask or PUMP | ISOLATION | VENT)
        while (world.pressure_pa() < to_pa) if mask else (world.pressure_pa() > to_pa):
            world.advance_to(world.t_s + 1e-3)
        return world.transducer_pa() - world.pressure_pa()

    falling, rising = shown_less_true(0, 80_000.0), shown_less_true(REFERENCE, 80_000.0)
    assert falling == pytest.approx(WIDTH_PA / 2, abs=1e-6)
    assert rising == pytest.approx(-WIDTH_PA / 2, abs=1e-6)
