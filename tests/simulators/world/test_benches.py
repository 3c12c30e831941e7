"""Benches that differ from their file, and dummies in the valve's place, held against Ohm's law and the gas laws."""

import math
from dataclasses import fields

import pytest

from simulators.entry import open_bench
from simulators.world import (
    COIL_U_K,
    FITTINGS,
    BenchParameters,
    InstrumentErrors,
    World,
    draw_bench,
    draw_instruments,
    draw_stated,
    draw_valve,
    overridden,
)
from simulators.world.models import MIDDLES

COIL, METER, PUMP, ISOLATION, VENT = 0x01, 0x02, 0x04, 0x08, 0x10


def world_with(fitting, **bench):
    world = World(BenchParameters(**bench), draw_valve("alder-24", "good", 1), seed=1)
    world.connect(fitting)
    return world


def pump_down(world, seconds=8.0):
    world.set_outputs(VENT | PUMP | ISOLATION)
    world.advance_to(world.t_s + seconds)
    world.set_outputs(VENT)
    world.advance_to(world.t_s + 0.05)


# --- populations ------------------------------------------------------------------------------------------------------


def test_a_bench_without_spread_is_as_its_file_says():
    bench = draw_bench(9, spread=0.0)
    assert bench == overridden(BenchParameters(), {"four_wire_ohm": 0.0})
    assert bench.instruments == InstrumentErrors()


def test_benches_stay_within_what_the_file_states_and_a_wider_spread_does_not():
    at_one = [draw_bench(seed) for seed in range(60)]
    assert all(abs(b.volume_m3 / 0.5e-3 - 1) <= 0.005 for b in at_one)
    assert all(abs(b.line_leak_sccm - 0.15) <= 0.05 for b in at_one)
    assert all(abs(b.instruments.shunt_gain - 1) <= 0.003 for b in at_one)
    assert all(b.instruments.transducer_gain == b.instruments.meter_gain == 1.0 for b in at_one)
    at_five = [draw_bench(seed, spread=5.0) for seed in range(60)]
    assert max(abs(b.volume_m3 / 0.5e-3 - 1) for b in at_five) > 0.015
    assert max(abs(b.instruments.transducer_offset_pa) for b in at_five) > 100.0
    assert max(abs(b.instruments.meter_gain - 1) for b in at_five) > 3e-4
    assert len({b.volume_m3 for b in at_five}) == 60


def test_a_bench_seed_gives_the_same_bench_and_another_another():
    assert draw_bench(4, spread=2.0) == draw_bench(4, spread=2.0) != draw_bench(5, spread=2.0)
    assert draw_instruments(4) == draw_bench(4).instruments


@pytest.mark.parametrize("spread", [-0.1, 11.0, math.nan])
def test_a_spread_that_makes_no_sense_is_refused(spread):
    with pytest.raises(ValueError, match="between 0 and 10"):
        draw_bench(1, spread=spread)


def test_every_field_but_the_instruments_can_be_set_and_no_other():
    names = [f.name for f in (*fields(BenchParameters), *fields(InstrumentErrors)) if f.name != "instruments"]
    for name in names:
        bench = overridden(BenchParameters(), {name: 0.123})
        assert getattr(bench, name, getattr(bench.instruments, name, None)) == 0.123
    for wrong, said in (({"colour": 1.0}, "No bench has a colour"), ({"volume_m3": "big"}, "a number is wanted")):
        with pytest.raises(ValueError, match=said):
            overridden(BenchParameters(), wrong)


# --- on the plug ------------------------------------------------------------------------------------------------------


def test_the_meter_reads_bar_and_resistor_by_two_and_four_wires_at_any_temperature():
    for fitting, ohm in (("shorted-leads", 0.0005), ("reference-resistor", 25.03)):
        world = world_with(fitting, reference_resistor_ohm=25.03, four_wire_ohm=0.002, lead_ohm=0.18, ambient_k=310.0)
        assert world.meter_ohm(4) == math.inf
        world.set_outputs(METER)
        world.advance_to(1.0)
        assert world.meter_ohm(4) == pytest.approx(ohm + 0.002, abs=1e-9)
        assert world.meter_ohm(2) == pytest.approx(ohm + 0.182, abs=1e-9)


def test_supply_current_through_the_resistor_and_the_bar_is_that_of_ohms_law():
    for fitting, ohm in (("reference-resistor", 25.0), ("shorted-leads", 0.0005)):
        world = world_with(fitting)
        sampler = world.start_sampler(0.0, 1e-4, 300)
        world.set_outputs(COIL)
        world.advance_to(0.02)
        expected_a = 13.5 / (0.15 + 0.1 + ohm)
        assert world.coil_current_a() == pytest.approx(expected_a, rel=1e-6)
        assert world.supply_v() == pytest.approx(13.5 - 0.15 * expected_a, rel=1e-6)
        assert sampler.arrays["current_a"][100:200] == pytest.approx(expected_a, rel=1e-6)
        world.set_outputs(0)
        world.advance_to(0.025)
        assert world.coil_current_a() == pytest.approx(0.0, abs=1e-6)


def test_the_valve_comes_back_at_rest_and_cooled_and_works_as_before():
    world = world_with("valve")
    world.set_outputs(COIL)
    world.advance_to(60.0)
    warm_k = world.winding_k()
    assert warm_k > world.ambient_k + 10.0
    assert world.plunger_position() == 1.0
    world.connect("reference-resistor")
    assert world.plunger_position() == 0.0
    world.set_outputs(0)
    world.advance_to(90.0)
    world.connect("valve")
    # the winding gives its heat to the body, then both to the ambient
    assert world.ambient_k < world.winding_k() < warm_k - 4.0
    assert world.coil_current_a() == 0.0
    world.set_outputs(COIL)
    world.advance_to(90.1)
    assert world.plunger_position() == 1.0
    assert 0.4 < world.coil_current_a() < 0.54


# --- on the port ------------------------------------------------------------------------------------------------------


def test_behind_a_blind_plug_only_the_line_leaks_whatever_the_coil_does():
    world = World(BenchParameters(line_leak_sccm=0.0), draw_valve("alder-24", "stuck-open", 1), seed=1)
    world.connect("blind-plug")
    pump_down(world)
    mass_kg = world.gas_mass_kg()
    world.set_outputs(VENT | COIL)
    world.advance_to(40.0)
    assert world.gas_mass_kg() == pytest.approx(mass_kg, rel=1e-9)


def test_the_reference_orifice_lets_in_its_choked_flow():
    world = world_with("reference-orifice", line_leak_sccm=0.0, reference_orifice_c_m3_s_pa=1.0e-10)
    pump_down(world)
    assert world.pressure_pa() < 0.5 * world.ambient_pa
    began_kg, began_s = world.gas_mass_kg(), world.t_s
    world.advance_to(began_s + 2.0)
    # ISO 6358-1: choked mass flow C rho0 p1 sqrt(T0 / T1)
    expected = 1.0e-10 * 1.185 * 101_325.0 * math.sqrt(293.15 / 295.15)
    assert (world.gas_mass_kg() - began_kg) / 2.0 == pytest.approx(expected, rel=2e-4)


def test_a_known_volume_expands_into_the_reservoir_by_boyles_law():
    world = world_with("blind-plug", line_leak_sccm=0.0, known_volume_m3=0.25e-3)
    pump_down(world)
    world.advance_to(world.t_s + 20.0)
    before_pa, mass_kg = world.pressure_pa(), world.gas_mass_kg()
    world.connect("known-volume")
    mixed_pa = (before_pa * 0.5 + world.ambient_pa * 0.25) / 0.75
    assert world.pressure_pa() == pytest.approx(mixed_pa, rel=1e-9)
    vessel_kg = 101_325.0 * 0.25e-3 / (287.05 * 295.15)
    assert world.gas_mass_kg() == pytest.approx(mass_kg + vessel_kg, rel=1e-9)
    world.advance_to(world.t_s + 20.0)
    assert world.pressure_pa() == pytest.approx(mixed_pa, rel=2e-3)
    settled_pa = world.pressure_pa()
    world.connect("blind-plug")
    assert world.pressure_pa() == pytest.approx(settled_pa, rel=1e-9)


def test_what_is_connected_can_be_asked_and_nothing_else_can_be_connected():
    world = world_with("valve")
    for fitting in FITTINGS:
        world.connect(fitting)
        assert world.connected == fitting
        world.set_outputs(COIL | VENT)
        world.advance_to(world.t_s + 0.05)
        world.set_outputs(0)
        world.advance_to(world.t_s + 0.05)
    with pytest.raises(ValueError, match="there are valve, shorted-leads"):
        world.connect("hose")


@pytest.mark.parametrize("fitting", FITTINGS)
def test_with_anything_connected_the_way_is_still_the_same_in_one_call_or_many(fitting):
    def state(cuts):
        world = world_with(fitting)
        for mask, end in ((VENT | PUMP | ISOLATION, 2.0), (VENT | COIL, 2.3), (VENT, 3.0)):
            begin = world.t_s
            world.set_outputs(mask)
            for n in range(1, cuts):
                world.advance_to(begin + (end - begin) * n / cuts)
            world.advance_to(end)
        return world.pressure_pa(), world.gas_mass_kg(), world.winding_k(), world.transducer_pa()

    assert state(1) == state(7)


# --- benches as their file states them --------------------------------------------------------------------------------


def test_benches_drawn_as_stated_scatter_as_the_file_says_and_not_only_within_it():
    benches = [draw_stated(seed) for seed in range(1500)]

    def check(errors, u):
        # mean and scatter of 1500 normal errors: 4.5 standard deviations of each
        assert abs(sum(errors) / len(errors)) < 4.5 * u / math.sqrt(1500)
        rms = math.sqrt(sum(e * e for e in errors) / len(errors))
        assert rms == pytest.approx(u, rel=4.5 / math.sqrt(3000))

    check([b.volume_m3 / 0.5e-3 - 1 for b in benches], 0.005)
    check([b.instruments.shunt_gain - 1 for b in benches], 0.003)
    check([b.instruments.divider_gain - 1 for b in benches], 0.005)
    check([b.instruments.transducer_offset_pa for b in benches], 60.0)
    check([b.instruments.transducer_gain - 1 for b in benches], 1.2e-4)
    check([b.instruments.thermistor_offset_k for b in benches], 0.5)
    check([b.line_leak_sccm - 0.15 for b in benches], 0.05)
    # m cv / G: 41.325 kPa of half a litre at 22 degC over the conductance of the wall
    air_kg = 41_325.0 * 0.5e-3 / (287.05 * 295.15)
    check([air_kg * 717.6 / b.wall_w_k - 2.3 for b in benches], 0.6)
    check([b.wall_flow_w_k - 1.6 for b in benches], 0.3)


def test_a_bench_as_stated_is_the_same_for_its_seed_and_so_is_how_warm_the_part_is():
    assert draw_stated(4) == draw_stated(4) != draw_stated(5)
    off = []
    for seed in range(300):
        opened = open_bench({"seed": seed, "as_stated": True})
        off.append(opened.simulated_bench.world.winding_k() - 295.15)
    assert math.sqrt(sum(e * e for e in off) / 300) == pytest.approx(COIL_U_K, rel=0.2)
    assert open_bench({"seed": 3}).simulated_bench.world.winding_k() == 295.15
    with pytest.raises(ValueError, match="without bench_spread"):
        open_bench({"as_stated": True, "bench_spread": 1.0})


# --- conditions by the figure that they put out of limits -------------------------------------------------------------


@pytest.mark.parametrize("model", ["alder-24", "birch-26", "cedar-44"])
def test_a_value_in_place_of_a_severity_is_what_the_valve_then_has(model):
    limits = MIDDLES[model].limits
    for x in (0.7, 1.0, 1.3):
        leak = draw_valve(model, "seat-leak", 3, value=x * limits.leak_sccm)
        assert leak.port.leak_sccm == x * limits.leak_sccm
        both = draw_valve(model, "wet-and-leaking", 3, value=x * limits.leak_sccm)
        assert both.port.leak_sccm == x * limits.leak_sccm
        assert both.port.fuel_mol > 0.0
        flow = draw_valve(model, "restricted", 3, value=x * limits.flow_lpm_anr)
        assert World(BenchParameters(), flow, seed=1).flow_lpm_anr(30e3) == pytest.approx(
            x * limits.flow_lpm_anr, rel=1e-3
        )
    ohm = draw_valve(model, "shorted-turns", 3, value=0.9 * limits.ohm_low).coil.r20_ohm
    assert ohm == pytest.approx(0.9 * limits.ohm_low)
    coil = draw_valve(model, "high-resistance-joint", 3, value=1.1 * limits.ohm_high).coil
    assert coil.r20_ohm + coil.plug_ohm == pytest.approx(1.1 * limits.ohm_high, abs=0.01)


@pytest.mark.parametrize(
    ("condition", "value", "said"),
    [
        ("good", 1.0, "good takes none"),
        ("seat-leak", 0.0, "above 0"),
        ("seat-leak", math.nan, "above 0"),
        ("restricted", 900.0, "cannot let 900 L/min through"),
        ("shorted-turns", 30.0, "at most that"),
        ("high-resistance-joint", 3.0, "at least that"),
    ],
)
def test_a_value_that_a_valve_cannot_have_is_refused(condition, value, said):
    with pytest.raises(ValueError, match=said):
        draw_valve("alder-24", condition, 3, value=value)


def test_a_severity_and_a_value_exclude_each_other():
    with pytest.raises(ValueError, match="exclude each other"):
        open_bench({"condition": "seat-leak", "severity": 0.5, "value": 4.0})
