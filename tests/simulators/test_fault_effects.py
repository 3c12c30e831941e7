"""What each bench fault does to the real simulated world, seen through the instruments."""

from __future__ import annotations

import math

import numpy as np
import pytest

from firmware_protocol import messages as m
from firmware_protocol.frame import Decoder, encode
from simulators.entry import open_bench
from simulators.instruments.board_cable import LATE_S, BoardCable

RELAY_BITS = {
    "coil": m.COIL, "meter": m.METER, "pump": m.PUMP, "isolation": m.ISOLATION, "vent": m.VENT,
    "reference": m.REFERENCE,
}  # fmt: skip


def world_with(*faults, **options):
    return open_bench({"faults": list(faults), **options}).simulated_bench


def pressure_pa(simulated_bench, samples=200):
    return pascals([simulated_bench.pins.read_channel(m.PRESSURE) for _ in range(samples)])


def pascals(raws):
    return (float(np.mean(raws)) / 65536 * 3.3 - 0.2) / 25e-6


def drive(simulated_bench, mask, seconds):
    simulated_bench.world.set_outputs(mask)
    simulated_bench.advance_to(simulated_bench.now_s + seconds)


def effects(*faults):
    """One number per output that shows whether it works: large when on."""
    simulated_bench = world_with(*faults)
    world = simulated_bench.world
    seen = {}
    simulated_bench.advance_to(0.1)
    drive(simulated_bench, 0, 0.1)
    seen["coil off"] = world.coil_current_a()
    seen["meter off"] = world.meter_ohm(4)
    drive(simulated_bench, m.COIL, 0.1)
    seen["coil on"] = world.coil_current_a()
    drive(simulated_bench, m.METER, 0.3)
    seen["meter on"] = world.meter_ohm(4)
    drive(simulated_bench, m.VENT, 0.3)
    before = world.pressure_pa()
    drive(simulated_bench, m.VENT | m.ISOLATION, 1.0)
    seen["pump off"] = before - world.pressure_pa()
    drive(simulated_bench, m.VENT | m.PUMP, 1.0)
    seen["isolation off"] = before - world.pressure_pa()
    before = world.pressure_pa()
    drive(simulated_bench, m.VENT | m.PUMP | m.ISOLATION, 1.0)
    seen["pump on"] = seen["isolation on"] = before - world.pressure_pa()
    drive(simulated_bench, m.VENT, 0.3)
    seen["vent on"] = world.ambient_pa - world.pressure_pa()
    leaked = {}
    for mask in (m.VENT, m.VENT | m.REFERENCE):
        drive(simulated_bench, mask, 0.1)
        mass_kg = world.gas_mass_kg()
        drive(simulated_bench, mask, 1.0)
        leaked[mask] = (world.gas_mass_kg() - mass_kg) / (101_325 / (287.05 * 273.15) * 1e-6 / 60)
    seen["reference off"], seen["reference on"] = leaked[m.VENT], leaked[m.VENT | m.REFERENCE]
    drive(simulated_bench, 0, 1.0)
    seen["vent off"] = world.ambient_pa - world.pressure_pa()
    return seen


def test_on_a_healthy_bench_every_output_has_its_effect():
    seen = effects()
    assert seen["coil off"] == 0.0
    assert seen["coil on"] > 0.4
    assert seen["meter off"] == math.inf
    assert seen["meter on"] < 30.0
    assert abs(seen["pump off"]) < 100
    assert abs(seen["isolation off"]) < 100
    assert seen["pump on"] > 8e3
    assert seen["vent on"] > 8e3
    assert seen["vent off"] < 100
    assert seen["reference off"] < 0.5
    assert 5.0 < seen["reference on"] < 11.0  # of 10 when choked; it is not quite


@pytest.mark.parametrize("name", RELAY_BITS)
def test_a_dead_relay_never_has_its_effect_and_a_welded_one_always(name):
    dead, welded, healthy = (effects(*f) for f in ((f"{name}-relay-dead@0",), (f"{name}-relay-welded@0",), ()))
    if name == "coil":
        assert dead["coil on"] == 0.0
        assert welded["coil off"] > 0.4
    elif name == "meter":
        assert dead["meter on"] == math.inf
        assert welded["meter off"] < 30.0
        assert welded["coil on"] == 0.0  # the route to the meter opens the supply's path
    elif name in ("pump", "isolation"):
        assert abs(dead["pump on"]) < 100
        assert welded[f"{name} off"] > 8e3
    elif name == "vent":
        assert dead["vent on"] < 200
        assert welded["vent off"] > 8e3
    else:
        assert dead["reference on"] < 0.5
        assert welded["reference off"] > 5.0
    others = [key for key in healthy if name == "coil" and key.split()[0] in ("pump", "vent", "reference")]
    assert all(dead[key] == pytest.approx(healthy[key], rel=0.02, abs=100) for key in others)


def test_a_blocked_line_starves_the_flow_of_an_open_valve():
    def fill(*faults):
        simulated_bench = world_with(*faults)
        drive(simulated_bench, m.VENT | m.PUMP | m.ISOLATION, 6.0)
        drive(simulated_bench, m.VENT, 0.1)
        mass_kg = simulated_bench.world.gas_mass_kg()
        drive(simulated_bench, m.VENT | m.COIL, 0.25)
        return simulated_bench.world.gas_mass_kg() - mass_kg

    assert fill("blocked-line@0") < 0.12 * fill()
    # choked: area 0.15 mm2 in series with a port of about 3 mm2
    full_kg_s = 0.15e-6 * 101_325 * 0.0404184 / math.sqrt(295.15)
    assert fill("blocked-line@0") == pytest.approx(full_kg_s * 0.24 * 0.8, rel=0.06)


def test_transducer_faults_show_on_single_readings_and_in_captures_from_their_instant_on():
    for fault, expected in (("transducer-stuck@1.0", 101_325.0), ("transducer-offset@1.0", None)):
        simulated_bench = world_with(fault)
        pins = simulated_bench.pins
        simulated_bench.advance_to(0.5)
        pins.capture_start(1 << m.PRESSURE, 1000, 2600)
        drive(simulated_bench, m.VENT, 0.6)
        drive(simulated_bench, m.VENT | m.PUMP | m.ISOLATION, 2.0)
        raw = np.frombuffer(pins.capture_block(0, 2600), dtype="<u2").astype(float)
        true_pa = simulated_bench.world.transducer_pa()
        shown = pascals(raw[-20:])
        assert pascals(raw[:400]) == pytest.approx(101_325, abs=60)
        if expected is None:
            assert pascals(raw[520:590]) == pytest.approx(101_325 + 2500, abs=60)
            assert pressure_pa(simulated_bench) == pytest.approx(true_pa + 2500, abs=60)
            assert shown == pytest.approx(true_pa + 2500, abs=250)
        else:
            assert pressure_pa(simulated_bench) == pytest.approx(expected, abs=60)
            assert shown == pytest.approx(expected, abs=60)
            assert true_pa < 90e3


def test_a_slow_transducer_lags_a_ramp_by_its_time_constant():
    simulated_bench = world_with("transducer-slow@0")
    drive(simulated_bench, m.VENT, 0.2)
    drive(simulated_bench, m.VENT | m.PUMP | m.ISOLATION, 6.0)
    world = simulated_bench.world
    now, felt = world.pressure_pa(), world.transducer_pa()
    # of a fall that is nearly steady over some time constants: lag times slope
    simulated_bench.advance_to(simulated_bench.now_s + 0.1)
    slope = (world.pressure_pa() - now) / 0.1
    assert felt - now == pytest.approx(-1.5 * slope, rel=0.35)
    assert felt - now > 3e3


def test_a_sagging_supply_follows_ohms_law():
    simulated_bench = world_with("supply-sag@0", connected="reference-resistor")
    drive(simulated_bench, m.COIL, 0.05)
    current = 13.5 / (4.15 + 0.1 + 25.0)
    assert simulated_bench.world.coil_current_a() == pytest.approx(current, rel=1e-6)
    assert simulated_bench.world.supply_v() == pytest.approx(13.5 - 4.15 * current, rel=1e-6)


def test_a_noisy_supply_shows_its_noise():
    simulated_bench = world_with("supply-noise@0.1")
    simulated_bench.advance_to(0.05)
    quiet = np.std([simulated_bench.pins.read_channel(m.SUPPLY) for _ in range(500)]) / 65536 * 3.3 * 6
    simulated_bench.advance_to(0.2)
    noisy = np.std([simulated_bench.pins.read_channel(m.SUPPLY) for _ in range(500)]) / 65536 * 3.3 * 6
    assert quiet < 0.01
    assert noisy == pytest.approx(0.7, rel=0.15)


def test_a_meter_on_the_wrong_range_stays_there_and_overloads_on_any_coil():
    bench = open_bench({"faults": ["meter-range@0"]})
    bench.simulated_bench.world.set_outputs(m.METER)
    bench.clock.sleep_until(0.1)

    def ask(line):
        bench.meter_link.write(line)
        return bench.meter_link.read(bench.clock.now() + 5.0)

    assert float(ask("MEAS:FRES? 100")) > 9e37
    bench.meter_link.write("FRES:RANG 100")
    assert float(ask("FRES:RANG?")) == 10.0
    bench.meter_link.write("*RST")
    assert float(ask("FRES:RANG?")) == 10.0


def test_an_ambient_step_warms_what_comes_in():
    simulated_bench = world_with("ambient-step@1.0")
    simulated_bench.advance_to(0.9)
    assert simulated_bench.world.ambient_thermistor_k() == pytest.approx(295.15)
    simulated_bench.advance_to(1.1)
    assert simulated_bench.world.ambient_thermistor_k() == pytest.approx(301.15)


# --- frames -----------------------------------------------------------------------------------------------------------


def test_frames_are_lost_damaged_repeated_and_delayed_as_often_as_they_should_be():
    frames = [encode(n % 256, 2, bytes([n % 7, n % 251])) for n in range(4000)]
    for how in ("lost", "damaged", "repeated", "delayed"):
        wire = BoardCable(5, **{how: 0.2})
        got = [wire.passed(frame) for frame in frames]
        hit = sum(pieces != [(0.0, frame)] for pieces, frame in zip(got, frames, strict=True))
        assert hit / 4000 == pytest.approx(0.2, abs=4 * math.sqrt(0.16 / 4000))
        decoder = Decoder()
        arrived = sum(len(decoder.feed(data)) for pieces in got for _, data in pieces)
        changed = {"lost": -hit, "damaged": -hit, "repeated": hit, "delayed": 0}[how]
        # a damaged end mark spoils the frame behind it as well
        assert arrived == pytest.approx(4000 + changed, abs=0.2 * hit if how == "damaged" else 0)
        delays = [delay for pieces in got for delay, _ in pieces if delay]
        assert (len(delays) == hit and LATE_S[0] <= min(delays) <= max(delays) <= LATE_S[1]) == (how == "delayed")
        again = BoardCable(5, **{how: 0.2})
        assert [again.passed(frame) for frame in frames] == got


@pytest.mark.parametrize("kind", ["frames-lost", "frames-damaged", "frames-repeated", "frames-delayed"])
def test_frame_faults_reach_the_link_in_memory_both_ways(kind):
    bench = open_bench({"faults": [f"{kind}@0"]})
    decoder = Decoder()
    answers = []
    for seq in range(100):
        bench.board_link.write(encode(seq, m.HELLO, b""))
        deadline = bench.clock.now() + 0.05
        got = []
        while bench.clock.now() < deadline:
            got += decoder.feed(bench.board_link.read(deadline))
        answers.append([answered for answered, _, _ in got])
    right = sum(seq in got for seq, got in enumerate(answers))
    # four fifths each way; a repeat loses nothing
    assert right == 100 if kind == "frames-repeated" else 45 <= right <= 80
    doubled = sum(got.count(seq) > 1 for seq, got in enumerate(answers))
    assert (doubled > 10) == (kind == "frames-repeated")
    late = sum(any(other != seq for other in got) for seq, got in enumerate(answers))
    assert (late > 5) == (kind == "frames-delayed")
