"""Pin volts to quantities: the inverse here is written independently of the conversion."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.drivers.conversions import Divider, Shunt, Thermistor, Transducer

NTC = Thermistor(r25_ohm=10_000.0, beta_k=3950.0, pull_up_ohm=10_000.0, pull_up_v=3.3)


def thermistor_pin_v(kelvin: float) -> float:
    ohm = 10_000.0 * math.exp(3950.0 * (1.0 / kelvin - 1.0 / 298.15))
    return 3.3 * ohm / (ohm + 10_000.0)


@given(st.floats(min_value=230.0, max_value=400.0))
def test_a_temperature_comes_back_through_the_thermistor(kelvin):
    assert NTC.temperature_k(thermistor_pin_v(kelvin)) == pytest.approx(kelvin, abs=1e-6)


@given(st.floats(min_value=-5.0, max_value=5.0))
def test_a_current_comes_back_through_the_shunt(amps):
    assert Shunt(2.0).current_a(amps * 0.100 * 20.0) == pytest.approx(amps, abs=1e-12)


@given(st.floats(min_value=0.0, max_value=124e3))
def test_a_pressure_comes_back_through_the_transducer(pascals):
    assert Transducer(0.2, 25e-6).pressure_pa(0.2 + pascals * 25e-6) == pytest.approx(pascals, abs=1e-6)


@given(st.floats(min_value=0.0, max_value=20.0))
def test_a_supply_voltage_comes_back_through_the_divider(volts):
    assert Divider(6.0).supply_v(volts / 6.0) == pytest.approx(volts, abs=1e-12)


def test_arrays_of_any_shape_give_arrays_of_that_shape():
    pin_v = np.linspace(0.3, 3.0, 12).reshape(3, 4)
    for convert in (Shunt(2.0).current_a, Transducer(0.2, 25e-6).pressure_pa, Divider(6.0).supply_v, NTC.temperature_k):
        got = convert(pin_v)
        assert got.shape == (3, 4)
        assert got[1, 2] == pytest.approx(convert(float(pin_v[1, 2])), rel=1e-12)


def test_a_thermistor_shorted_or_broken_off_gives_nan_and_spoils_no_neighbour():
    got = NTC.temperature_k(np.array([-0.1, 0.0, 1.65, 3.3, 3.4]))
    assert np.isnan(got).tolist() == [True, True, False, True, True]
    assert got[2] == pytest.approx(298.15)


def test_a_broken_transducer_wire_shows_as_a_negative_pressure():
    assert Transducer(0.2, 25e-6).pressure_pa(0.0) == pytest.approx(-8000.0)
