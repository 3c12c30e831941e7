"""The gas physics behind the strangers' traces against handbook figures, and the study that counts on it."""

from __future__ import annotations

import ctypes
import math
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import brentq

sys.path.insert(0, str(Path(__file__).parent / "benchmarks"))
import strangers
from stranger_case import Stranger, StrangerClass, wrong_and_sure
from stranger_instruments import Instrument, lagged, recorded
from stranger_opening import opening_course, ratio_of, seat_and_port
from stranger_vessel import (
    C_P,
    C_V,
    CV_FUEL,
    KG_S_PER_SCCM,
    R_FUEL,
    Course,
    Curve,
    Vessel,
    Walls,
    always,
    choked_kg_s,
    filled,
    gas_of,
    iso,
    nozzle,
    run,
    thick_wall,
)

ROOM_K, AIR_PA = 293.15, 101_325.0
ADIABATIC = Walls(lambda t, gas, wall, p, q: 0.0, always(ROOM_K))
ISOTHERMAL = Walls(lambda t, gas, wall, p, q: 1e5, always(ROOM_K))
NEAR_ISOTHERMAL = Walls(lambda t, gas, wall, p, q: 20.0, always(ROOM_K))
GAS = strangers.classes("hold") + strangers.classes("flow")
C_2_MM = 0.50063  # dm3/(s bar): a sharp-edged hole of 2 mm, Cd 0.8


def charged(walls: Walls, curve: Curve, litres: float = 1.0, seconds: float = 2.5) -> Course:
    """A charge test: from 60 kPa of vacuum through a 2 mm hole."""
    choked = choked_kg_s(C_2_MM, AIR_PA, ROOM_K)
    vessel = Vessel(litres * 1e-3, walls, [lambda t, p: choked * curve(min(p / AIR_PA, 1.0))], always(ROOM_K))
    return run(vessel, filled(vessel, 0.0, 41_325.0, ROOM_K), seconds)


def reaches(course: Course, pascal: float) -> float:
    t = np.linspace(0.0, course.end.time_s, 50_001)
    return float(np.interp(pascal, course.pressure(t), t))


@pytest.mark.parametrize(
    ("walls", "curve", "times"),
    [
        (ISOTHERMAL, nozzle, (0.24125, 0.57361, 1.06058, 1.50044)),
        (ADIABATIC, nozzle, (0.17232, 0.40972, 0.75756, 1.07174)),
        (ISOTHERMAL, iso(0.528), (None, 0.57371, 1.06148, 1.50253)),
        (ISOTHERMAL, iso(0.3), (None, 0.61377, 1.18236, 1.71423)),
    ],
    ids=["nozzle, isothermal", "nozzle, adiabatic", "ISO b = 0.528, closed form", "ISO b = 0.3, closed form"],
)
def test_a_litre_fills_through_2_mm_in_the_published_time(
    walls: Walls, curve: Curve, times: tuple[float | None, ...]
) -> None:
    course = charged(walls, curve)
    for pascal, seconds in zip((0.5282818 * AIR_PA, 70e3, 90e3, 100e3), times, strict=True):
        if seconds is not None:
            assert reaches(course, pascal) == pytest.approx(seconds, rel=3e-4)


def test_an_adiabatic_fill_ends_at_the_textbook_s_temperature_and_cools_to_its_pressure() -> None:
    course = charged(ADIABATIC, nozzle, seconds=3.0)
    pressure, gas_k = gas_of(course.vessel, course.end.values)
    assert float(pressure) == pytest.approx(AIR_PA, rel=1e-4)
    assert float(gas_k) == pytest.approx(352.8, abs=0.1)
    assert float(pressure) * ROOM_K / float(gas_k) == pytest.approx(84_180, rel=3e-4)


def test_what_flowed_in_is_what_is_there_and_brought_its_enthalpy() -> None:
    course = charged(ADIABATIC, iso(0.3))
    t = np.linspace(0.0, 2.5, 20_001)
    p = course.pressure(t)
    flow = np.array([course.vessel.openings[0](0.0, float(x)) for x in p])
    mass, energy = course.at(t)[0], course.at(t)[1]
    assert mass[-1] - mass[0] == pytest.approx(float(np.trapezoid(flow, t)), rel=1e-6)
    assert energy[-1] - energy[0] == pytest.approx(C_P * ROOM_K * (mass[-1] - mass[0]), rel=1e-7)


def test_heat_that_leaves_the_gas_is_in_the_wall() -> None:
    capacities, links = thick_wall(0.04, 500.0, 60.0)
    for nodes, joints in (((0.7,), (0.0,)), (capacities, (*links[:-1], 0.0))):  # nothing passes to the outside
        walls = Walls(lambda t, gas, wall, p, q: 0.09, always(ROOM_K), nodes, joints)
        vessel = Vessel(5e-4, walls, [], always(ROOM_K))
        course = run(vessel, filled(vessel, 0.0, 41e3, 270.0), 30.0)
        start, end = course.at(np.array([0.0, 30.0])).T
        in_walls = float(np.dot(nodes, end[5:] - start[5:]))
        assert in_walls != 0
        assert end[1] - start[1] == pytest.approx(-in_walls, rel=1e-6)


def test_the_surface_of_a_thick_wall_warms_with_the_root_of_time() -> None:
    # constant flux into a half space: 2 q sqrt(t/pi) / e; here 50 W/m2 into e = 500: 0.1128 K after 1 s
    capacities, links = thick_wall(1.0, 500.0, 60.0)
    walls = Walls(lambda t, gas, wall, p, q: 50.0 / (gas - wall), always(ROOM_K), capacities, links)
    vessel = Vessel(100.0, walls, [], always(ROOM_K))
    course = run(vessel, filled(vessel, 0.0, 1e5, ROOM_K + 50), 20.0)
    for seconds in (1.0, 4.0, 16.0):
        warmer = float(course.at(np.array([seconds]))[5, 0]) - ROOM_K
        # the first layer's middle lies half a width inside: 50 W/m2 through its half resistance less
        inside = 50.0 * 0.5 * 0.02 * math.sqrt(60.0) / 500.0
        assert warmer == pytest.approx(2 * 50 * math.sqrt(seconds / math.pi) / 500 - inside, rel=0.03)


def test_a_seat_before_a_wide_port_is_a_nozzle_and_two_alike_share_a_small_pressure_difference() -> None:
    wide, alike = seat_and_port(1000.0, 0.0), seat_and_port(1.0, 0.0)
    for ratio in (0.3, 0.6, 0.9):
        assert wide(ratio) == pytest.approx(nozzle(ratio), rel=1e-3)
    # choked where the flow that the seat lets through is what the port takes from there: nozzle(x) = x
    between = brentq(lambda x: nozzle(x) - x, 0.6, 0.99)
    assert alike(0.995) * between == pytest.approx(nozzle(0.9975), rel=2e-3)  # half of the difference each
    assert alike(0.2) == pytest.approx(1.0)


def test_flow_past_a_sharp_edge_goes_on_rising_where_a_nozzle_is_choked() -> None:
    # 0.60 at equal pressures over 0.84 into a vacuum (Perry, 1949; from memory)
    sharp = seat_and_port(1000.0, 1.0)
    assert sharp(0.4) < 0.97 < sharp(0.2) < sharp(0.1)
    coefficient = sharp(0.95) / nozzle(0.95) / sharp(0.05)
    assert coefficient == pytest.approx(0.61 / 0.84, abs=0.02)


def test_the_critical_ratio_of_an_ellipse_is_its_own_and_that_of_a_nozzle_0_53() -> None:
    assert ratio_of(iso(0.3)) == pytest.approx(0.3, abs=1e-4)
    assert ratio_of(nozzle) == pytest.approx(0.53, abs=0.005)


def test_an_opening_that_gathers_speed_is_a_quarter_open_when_half_its_time_is_over() -> None:
    area = opening_course(0.01, 0.004, 2.0)
    assert [area(0.009), area(0.012), area(0.02)] == pytest.approx([0.0, 0.25, 1.0])


def test_pumping_without_heat_is_isentropic() -> None:
    vessel = Vessel(1e-3, ADIABATIC, [], always(ROOM_K), pump_m3_s=always(3e-4))
    course = run(vessel, filled(vessel, 0.0, AIR_PA, ROOM_K), 60.0, stop_below_pa=41_325.0)
    assert float(gas_of(vessel, course.end.values)[1]) == pytest.approx(226.9, abs=0.1)


def test_one_sccm_lifts_half_a_litre_by_3_6248_pascal_a_second() -> None:
    vessel = Vessel(5e-4, NEAR_ISOTHERMAL, [lambda t, p: KG_S_PER_SCCM], always(ROOM_K))
    course = run(vessel, filled(vessel, 0.0, 41_325.0, ROOM_K), 10.0)
    assert float(np.diff(course.pressure(np.array([0.0, 10.0])))[0]) / 10 == pytest.approx(3.6248, rel=5e-4)


def test_vapour_rises_to_its_pressure_with_its_time_constant_beside_the_air() -> None:
    vessel = Vessel(5e-4, NEAR_ISOTHERMAL, [], always(ROOM_K), vapour_pa=4000.0, vapour_s=6.0)
    course = run(vessel, filled(vessel, 0.0, 41_325.0, ROOM_K), 60.0)
    rise = course.pressure(np.array([6.0, 60.0])) - 41_325.0
    assert rise == pytest.approx([4000 * (1 - math.exp(-1)), 4000 * (1 - math.exp(-10))], rel=5e-4)
    grams = course.end.values[2] * 1e3
    assert grams == pytest.approx(4000 * 5e-4 / R_FUEL / ROOM_K * 1e3, rel=1e-4)
    assert CV_FUEL > C_V


def test_a_lagged_ramp_trails_by_its_time_constant_and_a_slow_sine_survives_the_record() -> None:
    t = np.arange(0.0, 0.5, 0.002)
    assert lagged(1e4 * t, 0.002, 0.02)[-1] == pytest.approx(1e4 * (t[-1] - 0.02), abs=1e-3)
    clean = Instrument(rate_hz=200.0, noise_pa=0.0, bits=16, lag_s=0.004, scale=0.001, offset_pa=10.0)
    at, values = recorded(np.random.default_rng(0), clean, lambda x: 5e4 + 1e3 * np.sin(x), -1.0, 5.0)
    assert np.abs(values - (1.001 * (5e4 + 1e3 * np.sin(at - 0.004)) + 10)).max() < 2 * clean.step_pa


@pytest.mark.slow
def test_a_trace_is_drawn_from_seed_class_and_index_alone() -> None:
    one = next(c for c in strangers.classes("hold") if c.name == "tight")
    first, again, other = strangers.draw(one, 3, 7), strangers.draw(one, 3, 7), strangers.draw(one, 3, 8)
    assert np.array_equal(first.signal, again.signal)
    assert first.told == again.told
    assert first.true != other.true


def test_there_are_classes_enough_and_each_has_a_name_of_its_own() -> None:
    assert len({(c.kind, c.name) for c in GAS}) == len(GAS) >= 60
    assert sum(c.keeps for c in GAS) >= 20


@pytest.mark.slow
@pytest.mark.parametrize("one", GAS, ids=[f"{c.kind}: {c.name}" for c in GAS])
def test_each_class_makes_a_record_with_a_truth(one: StrangerClass) -> None:
    s = strangers.draw(one, 1, 0)
    assert s.time_s.shape == s.signal.shape
    assert np.all(np.diff(s.time_s) > 0)
    assert np.all(np.isfinite(s.signal))
    assert s.true
    assert not one.keeps or all(v is not None for v in s.true.values())


def test_what_is_off_by_more_than_matters_and_more_than_2_u_counts() -> None:
    assert wrong_and_sure("hold_leak_sccm", 1.2, 0.1, 0.2)
    assert not wrong_and_sure("hold_leak_sccm", 1.2, 0.6, 0.2)
    assert not wrong_and_sure("hold_leak_sccm", 0.45, 0.01, 0.2)
    assert wrong_and_sure("hold_leak_sccm", 1.2, 9.0, None)


def test_a_library_that_prints_and_an_error_are_failures_and_no_value_is_not_measured(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def shouting(t, x, **told):
        ctypes.CDLL(None).puts(b"parameter 4 had an illegal value")
        return SimpleNamespace(hold_leak_sccm=None, notes=())

    def failing(t, x, **told):
        raise ZeroDivisionError("division by zero")

    trace = Stranger(np.arange(3.0), np.ones(3), {}, {"hold_leak_sccm": 1.0})
    one = StrangerClass("hold", "canned", True, lambda rng: trace)
    monkeypatch.setattr(strangers, "classes", lambda kind=None: [one])
    monkeypatch.setitem(strangers.ANALYSES, "hold", shouting)
    said = strangers.outcome(("hold", "canned", 1, 0))
    assert "illegal value" in said.failure
    assert [v.state for v in said.values] == ["missing"]
    monkeypatch.setitem(strangers.ANALYSES, "hold", failing)
    row = strangers.row(one, [strangers.outcome(("hold", "canned", 1, 0))])
    assert "ZeroDivisionError" in row.failures[0]
    assert row.not_measured == 1.0
