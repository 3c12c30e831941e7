"""Filling a rigid vessel: closed forms and scipy's integrator."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from benchrig.analysis.gas.reservoir import (
    Fill,
    conductance_dm3_s_bar,
    delayed_s,
    fill_curve,
    filling_rate_per_s,
)

ATM, START = 101_325.0, 41_325.0


def time_to(curve, pressure_pa):
    times = np.linspace(0, curve.time_s[-1], 200_001)
    ratio = curve.at(times)[0]
    return float(np.interp(pressure_pa / ATM, ratio, times))


def test_filling_rate_is_the_tabled_one_and_turns_back_into_conductance():
    # K = C rho0 R sqrt(T0 T)/V for C = 0.50063, V = 1 L, 293.15 K, R = 287.05: 0.4992107 1/s
    rate = filling_rate_per_s(0.50063, 1e-3, 293.15)
    assert rate == pytest.approx(0.4992107, rel=1e-5)
    assert conductance_dm3_s_bar(rate, 1e-3, 293.15) == pytest.approx(0.50063)


@pytest.mark.parametrize(("b", "times"), [(0.528, (0.57371, 1.06148, 1.50253)), (0.3, (0.61377, 1.18236, 1.71423))])
def test_isothermal_fill_takes_the_time_of_the_closed_form_of_iso_6358(b, times):
    # t = (b - r0)/K up to b, then ((1-b)/K)[asin((r-b)/(1-b)) - asin((r1-b)/(1-b))]; K = 0.4992107 1/s
    curve = fill_curve(Fill(0.4992107, b, heat=4e3, heat_flow=0.0, start=START / ATM), 2.2)
    for pressure_kpa, seconds in zip((70, 90, 100), times, strict=True):
        assert time_to(curve, 1e3 * pressure_kpa) == pytest.approx(seconds, rel=6e-4)


@pytest.mark.parametrize(
    ("pressure_kpa", "seconds"),
    # adiabatic, V 1 L, d 2 mm, Cd 0.8, nozzle: 0.17232 s at the end of choked flow, 0.40972, 0.75756, 1.07174 s; the
    # ellipse with b = 0.528 that stands for the nozzle is up to 0.3 % away
    [(53.528, 0.17232), (70, 0.40972), (90, 0.75756), (100, 1.07174)],
)
def test_adiabatic_fill_takes_the_tabled_time(pressure_kpa, seconds):
    curve = fill_curve(Fill(0.4992107, 0.5282818, heat=0.0, heat_flow=0.0, start=START / ATM), 1.3)
    assert time_to(curve, 1e3 * pressure_kpa) == pytest.approx(seconds, rel=2e-3)


def test_vessel_filled_without_heat_and_then_cooled_falls_to_the_closed_form():
    # from 41.325 to 101.325 kPa the gas reaches 352.8 K; shut and cooled to 293.15 K it falls to 84.18 kPa
    hot = 352.8 / 293.15
    curve = fill_curve(Fill(0.0, 0.4, heat=1.0, heat_flow=0.0, start=1.0 - 1e-9, start_warmth=hot), 30.0)
    assert curve.ratio[-1] * ATM == pytest.approx(84_180, abs=30)


@pytest.mark.parametrize(
    "fill",
    [
        Fill(0.1, 0.3, 0.4, 0.0, 0.41),
        Fill(0.8, 0.25, 0.15, 0.6, 0.41, 0.99, flow_power=0.8),
        Fill(2.4, 0.5, 0.1, 0.0, 0.41, laminar=3e-4),
        Fill(0.02, 0.2, 0.2, 0.0, 0.40, 0.95, convection=0.25),
        Fill(0.4, 0.3, 0.3, 0.2, 0.41, index=0.6, laminar=5e-3),
    ],
)
def test_curve_is_within_three_pascals_of_scipy(fill):
    b, edge = fill.critical_ratio, 1 - fill.laminar

    def flow(r):
        if r >= edge:
            return (1 - ((edge - b) / (1 - b)) ** 2) ** fill.index * (1 - r) / fill.laminar
        return (1 - max((r - b) / (1 - b), 0.0) ** 2) ** fill.index

    def rates(_, state):
        r, mass = state
        f, warm = flow(r), r / mass - 1
        wall = fill.heat * (abs(warm) / 0.05) ** fill.convection + fill.heat_flow * abs(f) ** fill.flow_power
        return [1.4 * fill.rate * f - wall * warm, fill.rate * f]

    times = np.linspace(0, 6, 601)
    begin = [fill.start, fill.start / fill.start_warmth]
    exact = solve_ivp(rates, (0, 6), begin, method="LSODA", rtol=1e-9, atol=1e-11, t_eval=times).y[0]
    assert np.abs(fill_curve(fill, 6.0).at(times)[0] - exact).max() * 1e5 < 3.0


@pytest.mark.parametrize("tau_s", [0.3, 0.7, 2.0])
def test_a_quick_recovery_is_as_exact_in_a_long_record_as_in_a_short_one(tau_s):
    fill = Fill(8e-6, 0.5, 0.38 / 0.85 / tau_s, 0.0, 0.38, 0.85)
    times = np.linspace(0, 60, 6001)
    short = fill_curve(fill, 5 * tau_s).at(times[times < 5 * tau_s])[0]
    long = fill_curve(fill, 60.0).at(times)[0]
    assert np.abs(long[: len(short)] - short).max() * 1e5 < 0.2
    # choked flow into gas at the temperature of the wall
    assert (long[-1] - long[3000]) / 30.0 == pytest.approx(8e-6, rel=1e-3)


def test_curve_with_borrowed_steps_differs_smoothly():
    fill = Fill(0.8, 0.3, 0.2, 0.0, 0.4)
    base = fill_curve(fill, 4.0)
    near, nearer = (fill_curve(Fill(0.8 + d, 0.3, 0.2, 0.0, 0.4), 4.0, like=base) for d in (2e-5, 1e-5))
    assert near.steps == base.steps
    assert np.allclose((near.ratio - base.ratio) / 2, nearer.ratio - base.ratio, atol=1e-9)


def test_absurd_parameters_end_and_stay_finite_in_time():
    assert len(fill_curve(Fill(1e3, 0.3, 1e9, 0.0, 0.4), 6.0).time_s) <= 601


@pytest.mark.parametrize("travel_s", [0.0, 0.004])
def test_slow_transducer_behind_a_gradual_opening_is_exact_on_a_ramp(travel_s):
    # first-order lag of the integral of a linear opening, by brute force
    step, response_s = 1e-6, 0.003
    t = np.arange(0, 0.02, step)
    opening = np.clip(t / travel_s, 0, 1) if travel_s else np.ones_like(t)
    rise = np.cumsum(opening) * step
    shown, now = np.empty_like(rise), 0.0
    for i, level in enumerate(rise):
        now += step / response_s * (level - now)
        shown[i] = now
    ours = delayed_s(t, response_s, travel_s)[0]
    assert np.abs(ours - shown).max() < 5e-6


def test_derivative_of_the_delayed_time_is_its_slope():
    t = np.linspace(-0.001, 0.02, 2101)
    when, slope = delayed_s(t, 0.003, 0.002)
    middle = 0.5 * (slope[1:] + slope[:-1])
    assert np.abs(np.diff(when) / np.diff(t) - middle).max() < 2e-3
    assert when[t <= 0].max() == 0.0
    assert math.isclose(delayed_s(np.array([0.5]), 0.0)[0][0], 0.5)
