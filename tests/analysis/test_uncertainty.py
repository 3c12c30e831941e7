"""The budget helper against the worked examples of JCGM 100:2008 (the GUM)."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import t as student

from benchrig.analysis.statistics.uncertainty_budget import (
    Budget,
    Quantity,
    arcsine,
    combine,
    coverage_factor,
    rectangular,
    resolution,
    scatter,
    triangular,
)

# JCGM 100, H.1, end gauge calibration, in nm and degC.
END_GAUGE = (
    Quantity("l_s", 50_000_623.0, 25.0, 18),
    Quantity("d0", 215.0, 5.8, 24),
    Quantity("d1", 0.0, 3.9, 5),
    Quantity("d2", 0.0, 6.7, 8),
    Quantity("alpha_s", 11.5e-6, rectangular(2e-6)),
    Quantity("delta_alpha", 0.0, rectangular(1e-6), 50),
    Quantity("delta_theta", 0.0, rectangular(0.05), 2),
    Quantity("theta_bar", -0.1, 0.2),
    Quantity("Delta", 0.0, arcsine(0.5)),
)


def end_gauge(
    l_s: Any, d0: Any, d1: Any, d2: Any, alpha_s: Any, d_alpha: Any, d_theta: Any, theta: Any, swing: Any
) -> Any:
    return l_s + d0 + d1 + d2 - l_s * (d_alpha * (theta + swing) + alpha_s * d_theta)


def test_gum_h1_end_gauge() -> None:
    budget = combine(end_gauge, END_GAUGE)
    assert budget.value == pytest.approx(50_000_838.0, abs=0.5)
    assert budget.u == pytest.approx(32.0, abs=0.5)
    # Printed components: 25, 16.6, 6.7, 5.8, 3.9, 2.9; those of alpha_s and of the swing are zero to first order.
    assert [round(part, 1) for _, part in budget.parts] == [25.0, 16.6, 6.7, 5.8, 3.9, 2.9]
    assert [name for name, _ in budget.parts][:2] == ["l_s", "delta_theta"]
    # nu_eff 16.7, truncated to 16; t_99 = 2.92; U_99 = 93 nm (from memory).
    assert budget.dof == pytest.approx(16.7, abs=0.1)
    assert coverage_factor(0.99, budget.dof) == pytest.approx(2.92, abs=0.005)
    assert budget.expanded(0.99) == pytest.approx(93.0, abs=0.6)


# JCGM 100, H.2, simultaneous resistance and reactance: raw data of Table H.2.
VOLTS = (5.007, 4.994, 5.005, 4.990, 4.999)
AMPS = tuple(each * 1e-3 for each in (19.663, 19.639, 19.640, 19.685, 19.678))
PHASE = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)


def correlation(one: tuple[float, ...], other: tuple[float, ...]) -> float:
    (mean_1, u_1, _), (mean_2, u_2, _) = scatter(one), scatter(other)
    n = len(one)
    covariance = math.fsum((a - mean_1) * (b - mean_2) for a, b in zip(one, other, strict=True)) / (n * (n - 1))
    return covariance / (u_1 * u_2)


CORRELATION = {
    ("V", "I"): correlation(VOLTS, AMPS),
    ("V", "phi"): correlation(VOLTS, PHASE),
    ("I", "phi"): correlation(AMPS, PHASE),
}
IMPEDANCE = tuple(Quantity(name, *scatter(data)) for name, data in (("V", VOLTS), ("I", AMPS), ("phi", PHASE)))


def resistance(volts: Any, amps: Any, phase: Any) -> Any:
    from uncertainties.umath import cos

    return volts / amps * cos(phase)


def reactance(volts: Any, amps: Any, phase: Any) -> Any:
    from uncertainties.umath import sin

    return volts / amps * sin(phase)


def modulus(volts: Any, amps: Any, phase: Any) -> Any:
    return volts / amps


def test_gum_h2_inputs() -> None:
    means = [(each.value, each.u) for each in IMPEDANCE]
    assert means[0] == (pytest.approx(4.9990, abs=5e-5), pytest.approx(0.00320936, abs=5e-9))
    assert means[1] == (pytest.approx(19.6610e-3, abs=5e-8), pytest.approx(9.47101e-6, abs=5e-11))
    assert means[2] == (pytest.approx(1.04446, abs=5e-6), pytest.approx(0.000752064, abs=5e-10))
    assert [round(r, 2) for r in CORRELATION.values()] == [-0.36, 0.86, -0.65]


@pytest.mark.parametrize(
    ("model", "value", "u", "u_without"),
    [
        (resistance, 127.732170, 0.0710714, 0.195),
        (reactance, 219.846512, 0.295582, 0.201),
        (modulus, 254.259702, 0.236336, 0.204),
    ],
)
def test_gum_h2_with_the_correlation_and_wrong_without(
    model: Callable[..., Any], value: float, u: float, u_without: float
) -> None:
    budget = combine(model, IMPEDANCE, CORRELATION)
    assert budget.value == pytest.approx(value, abs=5e-6)
    assert budget.u == pytest.approx(u, rel=5e-6)
    ignored = combine(model, IMPEDANCE)
    assert ignored.u == pytest.approx(u_without, abs=6e-4)
    assert abs(ignored.u / budget.u - 1.0) > 0.1


def test_gum_h2_correlations_of_the_outputs_from_the_sensitivities() -> None:
    budgets = {
        name: combine(model, IMPEDANCE, CORRELATION)
        for name, model in (("R", resistance), ("X", reactance), ("Z", modulus))
    }
    names = [each.name for each in IMPEDANCE]

    def covariance(one: Budget, other: Budget) -> float:
        total = 0.0
        for i, a in enumerate(IMPEDANCE):
            for j, b in enumerate(IMPEDANCE):
                r = 1.0 if i == j else CORRELATION.get((names[i], names[j]), CORRELATION.get((names[j], names[i]), 0.0))
                total += one.sensitivities[i] * other.sensitivities[j] * a.u * b.u * r
        return total

    pairs = {"RX": -0.588430, "RZ": -0.485259, "XZ": 0.992512}
    for (one, other), published in pairs.items():
        r = covariance(budgets[one], budgets[other]) / (budgets[one].u * budgets[other].u)
        assert r == pytest.approx(published, abs=5e-6)


def test_parts_with_correlated_inputs_still_add_up_to_u() -> None:
    for model in (resistance, reactance, modulus):
        budget = combine(model, IMPEDANCE, CORRELATION)
        squares = math.fsum(math.copysign(part**2, part) for _, part in budget.parts)
        assert math.sqrt(squares) == pytest.approx(budget.u)
        assert "correlations" in dict(budget.parts)


def test_effective_degrees_of_freedom_are_not_claimed_with_correlated_inputs() -> None:
    budget = combine(resistance, IMPEDANCE, CORRELATION)
    assert math.isnan(budget.dof)
    with pytest.raises(ValueError, match="correlated"):
        budget.expanded(0.95)


# JCGM 100, Table G.2, k for 95.45 % (from memory; computed apart).
@pytest.mark.parametrize(
    ("dof", "k"),
    [(1, 13.97), (2, 4.53), (3, 3.31), (4, 2.87), (5, 2.65), (6, 2.52), (8, 2.37), (10, 2.28), (20, 2.13), (50, 2.05)],
)
def test_coverage_factors_of_table_g2(dof: float, k: float) -> None:
    assert coverage_factor(0.9545, dof) == pytest.approx(k, abs=0.0051)


@pytest.mark.parametrize("dof", range(1, 25))
def test_the_table_in_the_code_agrees_with_scipys_student(dof: int) -> None:
    assert coverage_factor(0.9545, dof) == pytest.approx(float(student.ppf(0.97725, dof)), abs=5.1e-5)


def test_bench_example_two_the_leak() -> None:
    # 0.500 L (0.5 %), 41.325 -> 41.575 kPa in 60 s, 293.15 -> 293.25 K, u(dp) 3 Pa, u(dT) 0.05 K: 1.0843 sccm with
    # contributions 0.0054, 0.0138, 0.0326, together 0.0358 (computed apart, GTC).
    per_sccm = 101_325e-6 / 60 / (8.314462618 * 273.15)

    def leak(volume: Any, dp: Any, dt: Any) -> Any:
        p1, t1 = 41_325.0, 293.15
        return volume / 8.314462618 * ((p1 + dp) / (t1 + dt) - p1 / t1) / 60.0 / per_sccm

    budget = combine(leak, (Quantity("V", 0.5e-3, 2.5e-6), Quantity("dp", 250.0, 3.0), Quantity("dT", 0.10, 0.05)))
    assert budget.value == pytest.approx(1.0843, abs=5e-5)
    parts = dict(budget.parts)
    assert (parts["V"], parts["dp"], parts["dT"]) == (
        pytest.approx(0.0054, abs=5e-5),
        pytest.approx(0.0138, abs=6e-5),
        pytest.approx(0.0326, abs=5e-5),
    )
    assert budget.u == pytest.approx(0.0358, abs=5e-5)


def test_divisors_of_the_gum() -> None:
    assert [round(each, 5) for each in (rectangular(1), triangular(1), arcsine(1), resolution(1))] == [
        0.57735,
        0.40825,
        0.70711,
        0.28868,
    ]


def test_full_correlation_adds_uncertainties_linearly_and_opposition_cancels() -> None:
    inputs = (Quantity("a", 1.0, 0.3), Quantity("b", 1.0, 0.4))
    assert combine(lambda a, b: a + b, inputs).u == pytest.approx(0.5)
    assert combine(lambda a, b: a + b, inputs, {("b", "a"): 1.0}).u == pytest.approx(0.7)
    assert combine(lambda a, b: a + b, inputs, {("a", "b"): -1.0}).u == pytest.approx(0.1)
    same = (Quantity("a", 1.0, 0.3), Quantity("b", 1.0, 0.3))
    assert combine(lambda a, b: a - b, same, {("a", "b"): 1.0}).u == pytest.approx(0.0, abs=1e-9)


def test_an_input_that_does_not_matter_is_left_out_of_the_parts() -> None:
    budget = combine(lambda a, b: 2 * a, (Quantity("a", 1.0, 0.1), Quantity("b", 1.0, 0.1)))
    assert budget.parts == (("a", pytest.approx(0.2)),)
    assert combine(lambda a: 3.0, (Quantity("a", 1.0, 0.1),)).u == 0.0


def test_contradicting_correlations_are_refused() -> None:
    inputs = [Quantity(name, 0.0, 1.0) for name in "abc"]
    against = {("a", "b"): -1.0, ("a", "c"): -1.0, ("b", "c"): -1.0}
    with pytest.raises(ValueError, match="contradict"):
        combine(lambda a, b, c: a + b + c, inputs, against)


@pytest.mark.parametrize(
    ("inputs", "correlations", "said"),
    [
        ([Quantity("a", 1.0, -0.1)], None, "input 'a'"),
        ([Quantity("a", math.nan, 0.1)], None, "input 'a'"),
        ([Quantity("a", 1.0, math.inf)], None, "input 'a'"),
        ([Quantity("a", 1.0, 0.1, 0.0)], None, "input 'a'"),
        ([Quantity("a", 1.0, 0.1)] * 2, None, "two inputs of one name"),
        ([Quantity("a", 1.0, 0.1)], {("a", "z"): 0.5}, "unknown input"),
        ([Quantity("a", 1.0, 0.1), Quantity("b", 1.0, 0.1)], {("a", "b"): 1.5}, "not between"),
    ],
)
def test_nonsense_is_refused(
    inputs: list[Quantity], correlations: dict[tuple[str, str], float] | None, said: str
) -> None:
    with pytest.raises(ValueError, match=said):
        combine(lambda *xs: sum(xs), inputs, correlations)


def test_one_reading_says_nothing_of_scatter_and_none_is_an_error() -> None:
    assert scatter([3.0]) == (3.0, 0.0, math.inf)
    with pytest.raises(ValueError, match="no readings"):
        scatter([])
    with pytest.raises(ValueError, match="coverage"):
        combine(lambda a: a, [Quantity("a", 1.0, 0.1)]).expanded(1.0)


@pytest.mark.slow
@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=6), st.lists(st.floats(1e-3, 10.0), min_size=6, max_size=6))
def test_a_linear_model_adds_in_squares(weights: list[float], us: list[float]) -> None:
    inputs = [Quantity(f"x{n}", 1.0, u) for n, (_, u) in enumerate(zip(weights, us, strict=False))]
    budget = combine(lambda *xs: sum(w * x for w, x in zip(weights, xs, strict=True)), inputs)
    assert budget.u == pytest.approx(
        math.hypot(*(w * each.u for w, each in zip(weights, inputs, strict=True))), abs=1e-9
    )
