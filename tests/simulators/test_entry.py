"""The simulated bench as the program opens it: options, and whole conversations with the real world behind them."""

from __future__ import annotations

import math
import tomllib
from dataclasses import replace

import numpy as np
import pytest

from firmware_protocol import messages as m
from simulators.bench_file import demo_bench_toml
from simulators.entry import OpenedSimulation, open_bench
from simulators.world import World, draw_bench, draw_valve
from tests.simulators.hand_client import HandClient

STATED = tomllib.loads(demo_bench_toml())
PRESSURE, CURRENT, SUPPLY = 1 << m.PRESSURE, 1 << m.COIL_CURRENT, 1 << m.SUPPLY


def amps(raw: float | np.ndarray) -> float | np.ndarray:
    return raw / 65536 * 3.3 / 2.0


def pascals(raw: float | np.ndarray) -> float | np.ndarray:
    return (raw / 65536 * 3.3 - 0.2) / 25e-6


class Host:
    """A host with both links, that feeds the board while it waits."""

    def __init__(self, bench: OpenedSimulation, **limits: int) -> None:
        self.bench = bench
        self.board = HandClient(bench.board_link, bench.clock)
        self.board.hello()
        self.board.arm(**limits)

    def wait(self, seconds: float) -> None:
        end = self.bench.clock.now() + seconds
        while self.bench.clock.now() < end:
            self.bench.clock.sleep_until(min(end, self.bench.clock.now() + 0.2))
            self.board.status()

    def pump_down(self, seconds: float = 12.0, *, coil: int = 0) -> None:
        self.board.set(coil | m.VENT | m.ISOLATION)
        self.board.set(coil | m.VENT | m.ISOLATION | m.PUMP)
        self.wait(seconds)
        self.board.set(coil | m.VENT | m.PUMP)
        self.board.set(coil | m.VENT)

    def pressure_pa(self) -> float:
        return float(pascals(self.board.read(PRESSURE, 200)[0]))

    def ask_meter(self, line: str, seconds: float = 2.0) -> str | None:
        self.bench.meter_link.write(line)
        return self.bench.meter_link.read(self.bench.clock.now() + seconds)

    def click(self, capture_id: int = 1) -> np.ndarray:
        """Coil current in amperes, 20 kHz: 5 ms dead, 45 ms energised, 50 ms released."""
        self.board.capture(capture_id, CURRENT, 50, 2000, 100, m.COIL, 1000, 0)
        self.wait(0.12)
        assert self.board.progress().finished
        blocks = [self.board.block(capture_id, first, 500) for first in range(0, 2000, 500)]
        return np.asarray(amps(np.concatenate(blocks)[:, 0].astype(float)))


def host_with(**options: object) -> Host:
    return Host(open_bench(options))


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"model": "fir-1"}, "Option model of the simulated bench: 'fir-1' is not one of alder-24, "),
        ({"condition": "rusty"}, "Option condition of the simulated bench: 'rusty' is not one of good, "),
        ({"condition": 3}, "Option condition of the simulated bench: 3 is not one of good, "),
        ({"seed": "1"}, "a whole number, 0 or more, is wanted, not '1'"),
        ({"seed": -1}, "a whole number, 0 or more, is wanted, not -1"),
        ({"seed": True}, "a whole number, 0 or more, is wanted, not True"),
        ({"faults": "estop@1"}, "a list of \"KIND@SECONDS\" is wanted, not 'estop@1'"),
        ({"faults": ["estop"]}, "write estop@SECONDS"),
        ({"faults": [3]}, "no fault is called '3'"),
        (
            {"colour": "red", "size": 1},
            "has no option colour, size; it has model, condition, severity, seed, faults, valve_seed",
        ),
    ],
)
def test_a_bad_option_is_refused_in_words(options, said):
    with pytest.raises(ValueError, match=r"simulated bench|Fault") as caught:
        open_bench(options)
    assert said in str(caught.value)


def test_the_bench_file_is_the_demo_bench_in_memory():
    assert open_bench({}).bench_file == demo_bench_toml("memory", "memory")


def test_closing_twice_is_closing_once():
    bench = open_bench({})
    bench.close()
    bench.close()
    with pytest.raises(OSError, match="closed"):
        bench.board_link.write(b"x")


def test_serving_in_real_time_leaves_a_bench_file_with_the_real_addresses(tmp_path):
    said: list[str] = []
    ports: list[bool] = []

    def enough() -> bool:
        ports.append((tmp_path / "board").exists())
        return len(said) >= 3

    open_bench({}).serve(folder=tmp_path, announce=said.append, until=enough)
    told = dict(line.split("  ", 1) for line in said)
    table = tomllib.loads((tmp_path / "bench.toml").read_text(encoding="utf-8"))
    assert table["board"]["port"] == str(tmp_path / "board") == told["board"].strip()
    assert table["meter"]["address"] == told["meter"].strip()
    assert table["meter"]["address"].startswith("TCPIP::127.0.0.1::")
    assert told["bench file"].strip() == str(tmp_path / "bench.toml")
    assert ports == [True]


def test_at_rest_the_bench_reads_its_surroundings():
    host = host_with(seed=3)
    supply = host.board.read(SUPPLY, 200)[0] / 65536 * 3.3 * 6.0
    assert supply == pytest.approx(13.5, rel=0.006)
    assert host.pressure_pa() == pytest.approx(101_325, abs=60)


def test_the_meter_sees_the_coil_only_when_it_is_routed_to_it():
    host = host_with(model="cedar-44", seed=3)
    assert host.ask_meter("MEAS:FRES? 100") == "+9.90000000E+37"
    host.board.set(m.METER)
    host.wait(0.1)
    assert 40.0 < float(host.ask_meter("MEAS:FRES? 100")) < 48.0


def test_an_open_coil_is_overload_though_the_route_is_closed():
    host = host_with(condition="open-coil")
    host.board.set(m.METER)
    host.wait(0.1)
    assert host.ask_meter("MEAS:FRES? 100") == "+9.90000000E+37"


def dip_a(current_a: np.ndarray) -> float:
    """How far the current falls back on its rise, smoothed over 1 ms."""
    rise = np.convolve(current_a[100:1000], np.ones(20) / 20, "valid")
    return float((np.maximum.accumulate(rise) - rise).max())


def test_a_click_shows_the_armature_in_the_current():
    current_a = host_with(seed=3).click()
    assert np.abs(current_a[:100]).max() < 0.003
    assert current_a[900:1000].mean() == pytest.approx(13.5 / 24.5, rel=0.06)
    assert np.abs(current_a[1800:]).max() < 0.01
    assert dip_a(current_a) > 0.010
    assert dip_a(host_with(seed=3, condition="stuck-closed").click()) < 0.003


def test_pump_hold_and_fill_follow_the_valve():
    host = host_with(seed=3)
    host.pump_down()
    held_pa = host.pressure_pa()
    assert 15_000 < held_pa < 60_000
    host.wait(5.0)
    assert host.pressure_pa() - held_pa < 5_000  # the gas warms by a few kelvins; a good seat adds nearly nothing
    host.board.capture(1, PRESSURE | CURRENT, 1000, 4000, 100, m.VENT | m.COIL, m.NEVER, 0)
    host.wait(4.2)
    rows = np.concatenate([host.board.block(1, first, 200) for first in range(0, 4000, 200)]).astype(float)
    fill_pa = np.asarray(pascals(rows[:, 1]))
    assert fill_pa[:100].std() < 30
    assert fill_pa[-1] - fill_pa[0] > 20_000
    host.board.set(0)
    host.wait(3.0)
    assert host.pressure_pa() == pytest.approx(101_325, abs=100)


@pytest.mark.slow
def test_the_same_options_give_the_same_bytes_and_another_seed_others():
    def story(seed: int) -> bytes:
        host = host_with(seed=seed, condition="sluggish")
        host.pump_down(2.0)
        return host.click().tobytes() + host.board.block(1, 0, 500).tobytes()

    assert story(5) == story(5)
    assert story(5) != story(6)


def test_waiting_in_other_portions_gives_the_same_bytes():
    def story(*sleeps_s: float) -> bytes:
        host = host_with(seed=5)
        host.board.set(m.VENT | m.ISOLATION | m.PUMP)
        host.board.capture(2, 0b1111, 500, 1000, 300, m.VENT | m.COIL, 700, m.VENT)
        for sleep_s in (*sleeps_s, 0.6):
            host.bench.clock.sleep_until(sleep_s)
        return b"".join(host.board.block(2, first, 100).tobytes() for first in range(0, 1000, 100))

    assert story() == story(0.0123, 0.15, 0.1504, 0.31, 0.3333, 0.4)


def test_a_dead_supply_drives_no_current():
    host = host_with(faults=["supply-off@0"])
    assert np.abs(host.click()).max() < 0.003
    assert host.board.read(SUPPLY, 100)[0] / 65536 * 3.3 * 6.0 < 1.0


def test_supply_and_meter_on_the_coil_together_are_impossible():
    host = host_with()
    kind, refused = host.board.ask(m.SET, m.pack_set(m.COIL | m.METER))
    assert kind == m.REFUSED
    assert m.unpack_refused(refused).code == m.CONFLICT
    assert host.bench.simulated_bench.world.meter_volts() == 0.0


@pytest.mark.parametrize("fault", ["line-leak@0", "weak-pump@0"])
def test_a_fault_of_the_vacuum_side_is_seen_in_the_pump_down(fault):
    def pumped_pa(*faults: str) -> float:
        host = host_with(seed=3, faults=list(faults))
        host.board.set(m.VENT | m.ISOLATION | m.PUMP)
        host.wait(8.0)
        if fault.startswith("line-leak"):
            host.board.set(m.VENT)
            host.wait(6.0)
        return host.pressure_pa()

    assert pumped_pa(fault) > pumped_pa() + 500


@pytest.mark.parametrize("seed", range(8))
def test_the_bench_is_as_good_as_its_file_says(seed):
    bench = open_bench({"seed": seed}).simulated_bench.world.bench
    reservoir, background = STATED["reservoir"], STATED["background"]
    assert bench.volume_m3 * 1000 == pytest.approx(reservoir["volume_l"], rel=reservoir["u_percent"] / 100)
    assert bench.line_leak_sccm == pytest.approx(background["leak_sccm"], abs=background["u_sccm"])
    assert bench.transducer_lag_s * 1000 == pytest.approx(STATED["transducer"]["response_ms"])
    assert math.isclose(bench.ambient_pa, STATED["bench"]["barometer_kpa"] * 1000)


def test_the_walls_warm_the_gas_as_fast_as_the_file_says():
    host = host_with(seed=3)
    host.pump_down(6.5)
    host.board.capture(1, PRESSURE, 10_000, 2000, m.NEVER, 0, m.NEVER, 0)
    host.wait(20.1)
    raw = np.concatenate([host.board.block(1, first, 500) for first in range(0, 2000, 500)]).astype(float)
    hold_pa, t_s = pascals(raw[:, 0]), np.arange(2000) * 0.01
    # Leak and late warming make a straight line by the last quarter; the distance from it decays with the constant.
    late = np.polyfit(t_s[1500:], hold_pa[1500:], 1)
    short_pa = np.polyval(late, t_s) - hold_pa
    assert 1_000 < short_pa[0] < 6_000
    constant_s = -1.0 / np.polyfit(t_s[:600], np.log(short_pa[:600]), 1)[0]
    assert constant_s == pytest.approx(STATED["heat"]["time_constant_s"], abs=STATED["heat"]["u_s"])


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"severity": 1.2}, "Option severity of the simulated bench: a number from 0 to 1 is wanted, not 1.2"),
        ({"bench_seed": -1}, "Option bench_seed of the simulated bench: a whole number"),
        ({"bench_spread": "wide"}, "Option bench_spread of the simulated bench: a number from 0 to 10 is wanted"),
        ({"bench_truth": {"colour": 1}}, "Option bench_truth of the simulated bench: No bench has a colour"),
        ({"bench_truth": 3}, "names and values are wanted, not 3"),
        ({"connected": "hose"}, "Option connected of the simulated bench: 'hose' is not one of valve, "),
        ({"bench_toml": "[board]\n"}, "no line port"),
    ],
)
def test_a_bad_option_of_the_bench_is_refused_in_words(options, said):
    with pytest.raises(ValueError, match=r"simulated bench|bench file") as caught:
        open_bench(options)
    assert said in str(caught.value)


def test_what_the_bench_file_does_not_say_shows_in_the_readings():
    truth = {"shunt_gain": 1.03, "transducer_offset_pa": 900.0, "transducer_gain": 0.99, "divider_gain": 1.02}
    straight = {"shunt_offset_v": 0.0, "transducer_pin_gain": 1.0, "transducer_pin_offset_v": 0.0}
    options = {"bench_truth": {**truth, **straight, "divider_offset_v": 0.0}, "connected": "reference-resistor"}
    host = Host(open_bench(options))
    assert host.pressure_pa() == pytest.approx(101_325 * 0.99 + 900, abs=6)
    assert host.board.read(SUPPLY, 200)[0] / 65536 * 3.3 * 6.0 == pytest.approx(13.5 * 1.02, rel=5e-4)
    host.board.set(m.COIL)
    host.wait(0.05)
    assert amps(host.board.read(CURRENT, 200)[0]) == pytest.approx(1.03 * 13.5 / 25.25, rel=1e-3)


def test_the_meter_reads_the_reference_resistor_with_the_error_it_was_given():
    bench = open_bench(
        {"connected": "reference-resistor", "bench_truth": {"meter_gain": 1.001, "meter_zero_ohm": 0.05}}
    )
    host = Host(bench)
    host.board.set(m.METER)
    host.wait(0.05)
    reading = host.ask_meter("MEAS:FRES? 100")
    assert reading is not None
    assert float(reading) == pytest.approx(25.0 * 1.001 + 0.05, abs=0.009)
    bench.simulated_bench.connect("shorted-leads")
    assert bench.simulated_bench.connected == "shorted-leads"
    reading = host.ask_meter("MEAS:FRES? 100")
    assert reading is not None
    assert float(reading) == pytest.approx(0.0505, abs=0.005)


def test_shorted_leads_trip_the_board_when_the_supply_is_put_on_them():
    host = Host(open_bench({"connected": "shorted-leads"}), over_current_raw=round(1.5 * 2.0 / 3.3 * 65536))
    host.board.set(m.COIL)
    host.wait(0.02)
    status = host.board.status()
    assert (status.outputs, status.cause) == (0, m.CAUSE_OVER_CURRENT)


def test_the_bench_may_be_drawn_apart_from_the_valve():
    def seen(**options: object) -> tuple[object, object]:
        world = open_bench(options).simulated_bench.world
        assert isinstance(world, World)
        return world.bench, world.valve

    bench, valve = seen(seed=3, bench_seed=8, bench_spread=3.0)
    assert bench == draw_bench(8, spread=3.0)
    assert valve == draw_valve("alder-24", "good", 3)
    assert seen(seed=4, bench_seed=8, bench_spread=3.0)[0] == bench


def test_a_bench_file_of_ones_own_is_handed_out_with_the_addresses_of_the_simulator():
    text = demo_bench_toml("/dev/ttyACM0", "TCPIP::10.0.0.5::5025::SOCKET").replace("0.500", "0.512")
    table = tomllib.loads(open_bench({"bench_toml": text}).bench_file)
    assert table["reservoir"]["volume_l"] == 0.512
    assert table["board"]["port"] == table["meter"]["address"] == "memory"


def test_one_part_can_come_to_one_bench_again_with_new_noise_and_its_plug_put_on_anew():
    def opened(seed: int):
        return open_bench({"seed": seed, "valve_seed": 8, "bench_seed": 3}).simulated_bench

    first, again = opened(1), opened(2)
    plug = [simulated_bench.world.valve.coil.plug_ohm for simulated_bench in (first, again)]
    assert plug[0] != plug[1]
    same = [replace(simulated_bench.world.valve.coil, plug_ohm=0.0) for simulated_bench in (first, again)]
    assert same[0] == same[1]
    assert first.world.valve.port == again.world.valve.port
    assert first.world.bench == again.world.bench
    assert first.meter._ohms._gain == again.meter._ohms._gain
