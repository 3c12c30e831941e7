"""The converter: steps, limits, errors inside what the bench file states, noise that belongs to the sample."""

from __future__ import annotations

import math
import tomllib

import numpy as np
import pytest

from firmware_protocol import messages as m
from simulators.bench_file import demo_bench_toml
from simulators.instruments.board_pins import CHANNELS, BoardPins, _channels
from simulators.world import draw_instruments
from tests.simulators.still_world import StillWorld

STATED = tomllib.loads(demo_bench_toml())


def raw_of(world: StillWorld, channel: int, *, seed: int, count: int = 400) -> np.ndarray:
    """So many conversions, a millisecond apart."""
    pins = BoardPins(world, seed=seed)
    pins.capture_start(1 << channel, 1000, count)
    world.advance_to(world.t_s + count * 1e-3)
    return np.frombuffer(pins.capture_block(0, count), dtype="<u2").astype(float)


def volts(raw: np.ndarray) -> np.ndarray:
    return raw / 65536 * 3.3


def test_numbers_are_left_justified_by_their_bits():
    world = StillWorld()
    for channel, bits, _ in CHANNELS:
        raw = raw_of(world, channel, seed=1)
        step = 1 << (16 - bits)
        assert np.all(raw % step == 0)
        assert len(set(raw)) > 1  # noise dithers the last bit: a mean of many is finer than a step


def test_a_conversion_gives_the_nearest_step():
    quantities = {m.COIL_CURRENT: 0.55, m.PRESSURE: 45_678.0, m.SUPPLY: 13.4, m.AMBIENT: 294.2}
    for index, channel in _channels(5, draw_instruments(5)).items():
        quantity = quantities[index] * np.linspace(0.98, 1.02, 500)
        pin_v = channel.volts(quantity) * channel.gain + channel.offset_v
        raw = channel.raw(quantity, np.zeros(500))
        assert np.abs(volts(raw.astype(float)) - pin_v).max() <= 3.3 / (1 << channel.bits) * 0.5001
        assert [channel.raw_one(float(q), 0.0) for q in quantity] == raw.tolist()


@pytest.mark.parametrize("seed", range(12))
def test_each_channel_is_within_what_the_bench_file_states(seed):
    world = StillWorld()
    world.outputs = m.COIL
    shunt, transducer, supply, thermistor = (STATED[name] for name in ("shunt", "transducer", "supply", "thermistor"))
    for amps in (0.25, 0.55, 1.3):
        world.coil_on_a = amps
        measured = volts(raw_of(world, m.COIL_CURRENT, seed=seed)).mean() / shunt["volts_per_amp"]
        assert abs(measured - amps) < amps * shunt["u_percent"] / 100 + 0.0005
    for pa in (12_000.0, 41_325.0, 101_325.0):
        world.pa = pa
        pin_v = volts(raw_of(world, m.PRESSURE, seed=seed)).mean()
        assert abs((pin_v - transducer["offset_v"]) / transducer["volts_per_pa"] - pa) < transducer["u_pa"]
    for supply_v in (11.0, 13.5):
        world.volts = supply_v
        measured = volts(raw_of(world, m.SUPPLY, seed=seed)).mean() * supply["divider"]
        assert abs(measured - supply_v) < supply_v * supply["u_percent"] / 100 + 0.01
    for kelvin in (288.15, 295.15, 305.15):
        world.kelvin = kelvin
        pin_v = volts(raw_of(world, m.AMBIENT, seed=seed)).mean()
        ohm = thermistor["pull_up_ohm"] * pin_v / (thermistor["pull_up_v"] - pin_v)
        measured = 1 / (1 / 298.15 + math.log(ohm / thermistor["r25_ohm"]) / thermistor["beta_k"])
        assert abs(measured - kelvin) < thermistor["u_k"]


def test_the_pressure_noise_is_12_pa():
    spread = volts(raw_of(StillWorld(), m.PRESSURE, seed=4, count=4000)).std() / 25e-6
    assert spread == pytest.approx(12.0, rel=0.06)  # 4000 samples know a spread to 1.1 % (one sigma)


def test_the_converter_clips_at_both_ends():
    world = StillWorld()
    world.outputs = m.COIL
    world.coil_on_a = 5.0
    assert set(raw_of(world, m.COIL_CURRENT, seed=1)) == {65_520.0}
    world.coil_on_a = -1.0
    assert set(raw_of(world, m.COIL_CURRENT, seed=1)) == {0.0}


def test_a_block_is_the_same_however_it_is_asked_for():
    world = StillWorld()
    pins = BoardPins(world, seed=2)
    pins.capture_start(0b1011, 500, 300)
    world.advance_to(1.0)
    whole = pins.capture_block(0, 300)
    backwards = [pins.capture_block(first, 10) for first in range(290, -1, -10)]
    assert b"".join(reversed(backwards)) == whole
    pins.read_channel(m.PRESSURE)
    assert pins.capture_block(0, 300) == whole


def test_each_capture_has_noise_of_its_own():
    world = StillWorld()
    first, second = (raw_of(world, m.PRESSURE, seed=1, count=1000) for _ in range(2))
    assert abs(np.corrcoef(first, second)[0, 1]) < 0.15


def test_readings_in_between_leave_the_noise_of_a_capture_alone():
    blocks = []
    for readings in (0, 7):
        world = StillWorld()
        pins = BoardPins(world, seed=2)
        for _ in range(readings):
            pins.read_channel(m.PRESSURE)
        pins.capture_start(1 << m.PRESSURE, 1000, 50)
        world.advance_to(0.2)
        blocks.append(pins.capture_block(0, 50))
    assert blocks[0] == blocks[1]


def test_channels_seeds_and_conversions_of_one_instant_have_noise_of_their_own():
    world = StillWorld()
    first = [BoardPins(world, seed=1).read_channel(m.PRESSURE) for _ in range(3)]
    assert len(set(first)) == 1
    pins = BoardPins(world, seed=1)
    many = [pins.read_channel(m.PRESSURE) for _ in range(200)]
    assert many[0] == first[0]
    assert np.std(many) / 65536 * 3.3 / 25e-6 == pytest.approx(12.0, rel=0.25)
    other = raw_of(StillWorld(), m.PRESSURE, seed=2)
    assert abs(np.corrcoef(raw_of(StillWorld(), m.PRESSURE, seed=1), other)[0, 1]) < 0.2


def test_a_rate_that_the_converter_cannot_keep_is_refused():
    pins = BoardPins(StillWorld(), seed=1)
    pins.capture_start(0b0011, 10, 5)
    with pytest.raises(ValueError, match="3 conversions take longer than 14 us"):
        pins.capture_start(0b0111, 14, 5)


def test_samples_that_are_not_recorded_are_not_invented():
    world = StillWorld()
    pins = BoardPins(world, seed=1)
    pins.capture_start(1, 1000, 50)
    world.advance_to(0.0101)
    assert pins.capture_recorded() == 11
    with pytest.raises(IndexError, match="11 to 12"):
        pins.capture_block(11, 1)


def test_a_switch_and_a_capture_tell_their_instants():
    world = StillWorld()
    pins = BoardPins(world, seed=1)
    world.advance_to(0.25)
    assert pins.write_outputs(m.PUMP) == 250_000
    world.advance_to(0.375)
    assert pins.capture_start(1, 1000, 5) == 375_000
