"""Coil resistance at 20 degC: copper table, budget, overloads, and the cross-check under load."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.analysis.coil.resistance import (
    CrossCheck,
    coil_resistance_20c,
    copper_ratio,
    steady_current_cross_check,
)
from benchrig.analysis.results import Characteristic


def cold(*readings_ohm: float, **changes: float) -> Characteristic:
    given_: dict[str, float] = {
        "wires": 4,
        "accuracy_rel": 0.0002,
        "accuracy_ohm": 0.004,
        "range_ohm": 100.0,
        "coil_c": 23.0,
        "coil_u_k": 1.0 / math.sqrt(3.0),
        **changes,
    }
    return coil_resistance_20c(readings_ohm, **given_)  # type: ignore[arg-type]


# Copper, R_T / R_20. First column the rule with 0.00393 1/K (IEC 60028), second (234.5 + T) / 254.5 (NBS handbook rule,
# from memory); they agree within 1e-4 of each other over the whole table.
@pytest.mark.parametrize(
    ("coil_c", "iec", "nbs"),
    [
        (-40, 0.76420, 0.764244),
        (0, 0.92140, 0.921415),
        (10, 0.96070, 0.960707),
        (20, 1.0, 1.0),
        (23, 1.01179, 1.011788),
        (25, 1.01965, 1.019646),
        (40, 1.07860, 1.078585),
        (60, 1.15720, 1.157171),
        (80, 1.23580, 1.235756),
        (100, 1.31440, 1.314342),
        (120, 1.39300, 1.392927),
    ],
)
def test_copper_follows_the_table_by_both_rules(coil_c: float, iec: float, nbs: float) -> None:
    assert copper_ratio(coil_c) == pytest.approx(iec, abs=6e-6)
    assert copper_ratio(coil_c) == pytest.approx(nbs, rel=1e-4)
    assert nbs == pytest.approx((234.5 + coil_c) / 254.5, abs=1e-6)


# Published factors on the resistance at 25 degC (a web table; it uses alpha_25 = 0.00385, hence the wider tolerance).
@pytest.mark.parametrize(("coil_c", "factor"), [(40, 1.058), (60, 1.135), (100, 1.289), (150, 1.482), (200, 1.674)])
def test_copper_agrees_with_a_published_table_based_on_25_degrees(coil_c: float, factor: float) -> None:
    assert copper_ratio(coil_c) / copper_ratio(25.0) == pytest.approx(factor, abs=6e-4)


def test_bench_example_one() -> None:
    # 26.00 ohm read, 0.02 % + 4 mohm, coil 23 degC within 1 K, alpha within 1 %, all rectangular (computed apart, GTC).
    found = cold(26.00)
    parts = dict(found.parts)
    assert found.value == pytest.approx(25.6970, abs=5e-5)
    assert found.u == pytest.approx(0.05789, abs=5e-6)
    assert parts["meter"] == pytest.approx(0.00525, abs=5e-6)
    assert parts["coil temperature"] == pytest.approx(0.05763, abs=5e-6)
    assert parts["temperature coefficient of copper"] == pytest.approx(0.00173, abs=5e-6)
    assert len(parts) == 3


def test_temperature_moves_the_result_by_0_39_percent_a_kelvin() -> None:
    assert cold(26.0, coil_c=24.0).value / cold(26.0, coil_c=23.0).value - 1 == pytest.approx(-0.0039, abs=5e-5)


def test_the_name_and_the_unit_are_those_of_the_table() -> None:
    found = cold(26.0)
    assert (found.name, found.unit, found.bound, found.why_not) == ("coil_resistance_20c_ohm", "ohm", "", "")
    assert found.how == "one 4-wire reading at 23.0 °C, taken to 20 °C"


def test_the_parts_add_up_in_squares_and_are_sorted() -> None:
    found = cold(26.0, 26.1, 25.95, lead_ohm=0.2, lead_u_ohm=0.02, wires=2)
    assert math.hypot(*(part for _, part in found.parts)) == pytest.approx(found.u)
    assert [part for _, part in found.parts] == sorted((part for _, part in found.parts), reverse=True)
    assert {name for name, _ in found.parts} == {
        "meter",
        "scatter of the readings",
        "leads",
        "coil temperature",
        "temperature coefficient of copper",
    }


def test_two_wires_have_their_leads_taken_off() -> None:
    found = cold(26.3, wires=2, lead_ohm=0.3, lead_u_ohm=0.02, coil_c=20.0)
    assert found.value == pytest.approx(26.0)
    assert dict(found.parts)["leads"] == pytest.approx(0.02)
    assert "0.3 ohm of leads taken off" in found.how


def test_four_wires_still_carry_the_plugs_contacts() -> None:
    found = cold(26.0, lead_u_ohm=0.004)
    assert dict(found.parts)["plug contacts"] == pytest.approx(0.004 / copper_ratio(23.0))


def test_scatter_widens_the_uncertainty_by_the_mean_and_students_t() -> None:
    # JCGM 100, 4.2: s of 26, 27, 28 is 1, so u of the mean is 1/sqrt(3); Table G.2: k = 4.53 for nu = 2 stands for 2.
    parts = dict(cold(26.0, 27.0, 28.0, coil_c=20.0).parts)
    assert parts["scatter of the readings"] == pytest.approx(4.53 / 2 / math.sqrt(3), rel=1e-3)


def test_an_overload_in_every_reading_is_a_bound_at_the_end_of_the_range() -> None:
    found = cold(math.inf, math.inf, coil_c=20.0)
    assert (found.value, found.u, found.bound) == (100.0, None, "above")
    assert found.how == "overload on the 100 ohm range in 2 of 2 readings: no path through the coil"


def test_the_bound_is_taken_to_20_degrees_like_any_reading() -> None:
    # A coil of exactly 100 ohm at 23 degC has 100 / 1.01179 ohm at 20 degC: no more may be claimed.
    assert cold(math.inf).value == pytest.approx(100.0 / 1.01179)


def test_some_overloads_among_numbers_are_an_intermittent_path() -> None:
    found = cold(24.6, math.inf, 24.8)
    assert (found.value, found.u, found.bound) == (None, None, "")
    assert found.why_not.startswith("intermittent: ")
    assert "1 of 3 readings found no path (above 100 ohm), the others 24.60 to 24.80 ohm" in found.why_not


def test_a_dead_short_is_a_value_and_no_error() -> None:
    assert cold(0.0).value == 0.0
    assert cold(0.1, wires=2, lead_ohm=0.2, lead_u_ohm=0.1).value < 0.0


@pytest.mark.parametrize(
    ("readings", "changes", "said"),
    [
        ((), {}, "no readings"),
        ((math.nan,), {}, "must be numbers"),
        ((-math.inf,), {}, "must be numbers"),
        ((26.0,), {"wires": 3}, "3 wires"),
        ((26.0,), {"range_ohm": 0.0}, "range 0.0 ohm"),
        ((26.0,), {"coil_c": math.nan}, "coil at nan"),
        ((26.0,), {"coil_c": -300.0}, "coil at -300.0"),
        ((26.0,), {"coil_u_k": -1.0}, "'coil temperature'"),
    ],
)
def test_nonsense_is_refused(readings: tuple[float, ...], changes: dict[str, float], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        cold(*readings, **changes)


@pytest.mark.slow
@given(st.floats(1.0, 90.0), st.floats(-20.0, 60.0), st.floats(0.1, 10.0))
def test_scaling_resistance_scales_value_and_temperature_part(ohm: float, coil_c: float, scale: float) -> None:
    one = cold(ohm, coil_c=coil_c, accuracy_ohm=0.0)
    other = cold(ohm * scale, coil_c=coil_c, accuracy_ohm=0.0)
    assert other.value == pytest.approx(one.value * scale)
    assert other.u == pytest.approx(one.u * scale)


def under_load(reference: Characteristic, *, current_a: float, voltage_v: float = 13.0, **changes: float) -> CrossCheck:
    given_: dict[str, float] = {"voltage_u_v": 0.02, "current_u_a": 0.001, "coil_c": 23.0, "coil_u_k": 1.0, **changes}
    check = steady_current_cross_check(reference, voltage_v=voltage_v, current_a=current_a, **given_)  # type: ignore[arg-type]
    assert check is not None
    return check


def test_a_sound_coil_agrees_under_load_whatever_its_temperature_was_taken_to_be() -> None:
    for wrong_by_k in (-3.0, 0.0, 3.0):
        check = under_load(cold(26.0, coil_c=23.0 + wrong_by_k), current_a=13.0 / 26.0, coil_c=23.0 + wrong_by_k)
        assert check.outcome == "agrees"
        assert check.excess_ohm == pytest.approx(0.0, abs=1e-9)


def test_a_joint_that_fails_under_load_shows_as_excess_resistance() -> None:
    check = under_load(cold(26.0), current_a=13.0 / 28.0)
    assert check.outcome == "higher under load"
    assert check.excess_ohm == pytest.approx(2.0, abs=1e-6)
    assert check.ratio == pytest.approx(28 / 26, abs=1e-6)
    assert "look for a joint that fails under load" in check.why


def test_turns_that_short_under_load_show_as_missing_resistance() -> None:
    assert under_load(cold(26.0), current_a=13.0 / 24.0).outcome == "lower under load"


def test_series_resistance_is_taken_off() -> None:
    assert under_load(cold(26.0), current_a=13.0 / 26.25, series_ohm=0.25).excess_ohm == pytest.approx(0.0, abs=1e-6)


def test_heating_that_was_allowed_for_is_no_fault_and_not_allowed_for_is_one() -> None:
    warm_ohm = 26.0 * copper_ratio(33.0) / copper_ratio(23.0)
    assert under_load(cold(26.0), current_a=13.0 / warm_ohm).outcome == "higher under load"
    assert under_load(cold(26.0), current_a=13.0 / warm_ohm, heating_k=12.0).outcome == "agrees"


def test_tolerance_is_twice_the_combined_uncertainty() -> None:
    check = under_load(
        cold(26.0, accuracy_rel=0.0, accuracy_ohm=0.0), current_a=0.5, current_u_a=0.001, voltage_u_v=0.013
    )
    assert check.tolerance_ohm == pytest.approx(2 * math.hypot(26 * 0.001 / 0.5, 26 * 0.013 / 13.0), rel=1e-6)


def test_nothing_to_compare_gives_none() -> None:
    load = {"voltage_v": 13.0, "voltage_u_v": 0.02, "current_u_a": 0.001, "coil_c": 23.0, "coil_u_k": 1.0}
    for reference, current_a in ((cold(math.inf), 0.5), (cold(26.0, math.inf), 0.5), (cold(26.0), 0.001)):
        assert steady_current_cross_check(reference, current_a=current_a, **load) is None


def test_cooling_by_a_current_is_refused() -> None:
    with pytest.raises(ValueError, match="negative"):
        under_load(cold(26.0), current_a=0.5, heating_k=-1.0)
