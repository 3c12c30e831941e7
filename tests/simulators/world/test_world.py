"""The world as a whole: how it is cut must not matter, what flows must add up, and its readings must agree."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.world import MODELS, BenchParameters, World, draw_valve

COIL, METER, PUMP, ISOLATION, VENT, REFERENCE = 0x01, 0x02, 0x04, 0x08, 0x10, 0x20
PUMPING = PUMP | ISOLATION | VENT
R_AIR, KAPPA, P_ANR, T_ANR = 287.05, 1.4, 1.185, 293.15

DEMO = BenchParameters()

SCRIPT = (
    (0.05, METER),
    (0.15, 0),
    (0.20, PUMPING),
    (0.70, VENT),
    (0.75, VENT | COIL),
    (0.7561, VENT),  # in the middle of a flight
    (0.80, VENT | COIL | REFERENCE),
    (0.86, VENT),
    (0.95, 0),
)
END_S = 1.1


def new_world(model="alder-24", condition="good", seed=7, bench=DEMO):
    return World(bench, draw_valve(model, condition, seed), seed=seed)


def readings(world):
    return (
        world.coil_current_a(),
        world.supply_v(),
        world.pressure_pa(),
        world.transducer_pa(),
        world.gas_k(),
        world.gas_mass_kg(),
        world.plunger_position(),
        world.winding_k(),
        world.meter_ohm(4),
        world.meter_volts(),
        world.ambient_thermistor_k(),
    )


def play(cuts, look=False):
    """Run SCRIPT with a sampler over all of it, stopping at `cuts` on the way; at each, take readings if asked."""
    world = new_world()
    sampler = world.start_sampler(0.0, 1e-4, round(END_S / 1e-4))
    stops = sorted([*((t, None) for t in cuts if t <= END_S), *((t, mask) for t, mask in SCRIPT)], key=lambda s: s[0])
    for t, mask in stops:
        world.advance_to(t)
        if look:
            readings(world)
            _ = sampler.arrays
        if mask is not None:
            world.set_outputs(mask)
    world.advance_to(END_S)
    return world, sampler


@pytest.fixture(scope="module")
def uncut():
    world, sampler = play([])
    return readings(world), world.motions, sampler.recorded, {k: v.copy() for k, v in sampler.arrays.items()}


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(cuts=st.lists(st.floats(0.0, END_S), max_size=40), look=st.booleans())
def test_how_the_way_is_cut_into_calls_makes_no_difference_to_the_last_bit(uncut, cuts, look):
    world, sampler = play(cuts, look=look)
    assert readings(world) == uncut[0]
    assert world.motions == uncut[1]
    assert sampler.recorded == uncut[2]
    for name, array in sampler.arrays.items():
        assert np.array_equal(array, uncut[3][name]), name


@pytest.mark.slow
def test_looking_every_five_milliseconds_makes_no_difference(uncut):
    world, sampler = play(np.arange(0.0, END_S, 5e-3).tolist(), look=True)
    assert readings(world) == uncut[0]
    assert np.array_equal(sampler.arrays["current_a"], uncut[3]["current_a"])


def test_the_script_does_move_the_armature_both_ways(uncut):
    _, motions, recorded, arrays = uncut
    assert recorded == round(END_S / 1e-4)
    assert {m.what for m in motions} == {"leaves", "meets"}
    assert {m.stroke for m in motions if m.what == "meets"} == {0.0, 1.0}
    assert not any(np.isnan(a).any() for a in arrays.values())


def test_samples_are_the_readings_of_their_instants():
    world = new_world()
    sampler = world.start_sampler(0.0, 1e-3, 60)
    world.set_outputs(COIL)
    seen = []
    for k in range(60):
        world.advance_to(k * 1e-3)
        seen.append((world.coil_current_a(), world.supply_v(), world.transducer_pa()))
        if k == 40:
            world.set_outputs(0)
    arrays = sampler.arrays
    for column, name in enumerate(("current_a", "supply_v", "transducer_pa")):
        # a sample is taken a millionth of its period early
        assert arrays[name] == pytest.approx([s[column] for s in seen], abs=2e-7, rel=1e-8)


def test_a_sampler_grows_with_the_world_and_hides_the_future():
    world = new_world()
    world.advance_to(0.5)
    sampler = world.start_sampler(0.5, 1e-3, 10)
    assert sampler.recorded == 1
    world.advance_to(0.5035)
    assert sampler.recorded == 4
    assert np.isnan(sampler.arrays["current_a"][4:]).all()
    world.advance_to(9.0)
    assert sampler.recorded == 10
    assert np.isfinite(sampler.arrays["transducer_pa"]).all()


def nozzle(ratio):
    r = max(ratio, (2 / (KAPPA + 1)) ** (KAPPA / (KAPPA - 1)))
    return math.sqrt(2 * KAPPA / (KAPPA - 1) / R_AIR * (r ** (2 / KAPPA) - r ** ((KAPPA + 1) / KAPPA)))


def flow_in(world, effective_m2):
    """Mass flow from the ambient at this instant, by formulas of the test's own."""
    bench, port = world.bench, world.valve.port
    ratio = world.pressure_pa() / world.ambient_pa
    leaks_kg_s = (bench.line_leak_sccm + port.leak_sccm) * 101_325 / (R_AIR * 273.15) * 1e-6 / 60
    choked_here = math.sqrt(293.15 / bench.ambient_k) * world.ambient_pa / 101_325
    leaks = leaks_kg_s * choked_here * nozzle(ratio) / nozzle(0.1)
    lost = port.cd_drop * (max(ratio - 0.35, 0.0) / 0.65) ** 2
    return leaks + effective_m2 * (1 - lost) * world.ambient_pa / math.sqrt(bench.ambient_k) * nozzle(ratio)


def simpson(values, h):
    return h / 3 * (values[0] + values[-1] + 4 * sum(values[1:-1:2]) + 2 * sum(values[2:-1:2]))


@pytest.mark.slow
@pytest.mark.parametrize("phase", ["pump", "hold", "fill"])
def test_mass_and_energy_in_the_reservoir_add_up_to_a_millionth(phase):
    """Independent flows and heat, summed over an interval without switching, against what the gas gained."""
    bench = BenchParameters(wall_j_k=1e12)  # the wall stays at the ambient
    world = new_world("alder-24", "stuck-open" if phase == "fill" else "good", bench=bench)
    effective = 0.0
    if phase == "fill":
        # a jammed-open valve: let the pump do what it can, then lift the ambient for a fill from low pressure ratio
        world.set_outputs(VENT)
        world.advance_to(0.1)
        world.ambient_pa = 250_000.0
        effective = world.sonic_conductance_m3_s_pa() * P_ANR * math.sqrt(T_ANR) / nozzle(0.1)
        effective -= (
            world.valve.port.leak_sccm
            * 101_325
            / (R_AIR * 273.15)
            * 1e-6
            / 60
            * math.sqrt(293.15)
            / (101_325 * nozzle(0.1))
        )
        world.advance_to(0.12)
        span, n = 0.25, 500
    else:
        world.set_outputs(PUMPING)
        world.advance_to(0.1 if phase == "pump" else 7.0)
        if phase == "hold":
            world.set_outputs(VENT)
            world.advance_to(7.1)
        span, n = 4.0, 400
    cv = R_AIR / (KAPPA - 1)
    began = world.t_s
    mass_rate, energy_rate, masses, energies = [], [], [], []
    for k in range(n + 1):
        world.advance_to(began + span * k / n)
        p, kelvin = world.pressure_pa(), world.gas_k()
        inflow = flow_in(world, effective)
        pumped = 0.0
        if phase == "pump":
            pumped = bench.pump_m3_s * world.pump_strength * (p - bench.pump_ultimate_pa) / (R_AIR * kelvin)
        stirred = bench.wall_w_k + bench.wall_flow_w_k * ((inflow + pumped) * 1000) ** 0.8
        mass_rate.append(inflow - pumped)
        heat = stirred * (bench.ambient_k - kelvin)
        energy_rate.append((inflow * bench.ambient_k - pumped * kelvin) * (cv + R_AIR) + heat)
        masses.append(world.gas_mass_kg())
        energies.append(p * bench.volume_m3 / (KAPPA - 1))
    h = span / n
    assert masses[-1] - masses[0] == pytest.approx(simpson(mass_rate, h), abs=1e-6 * masses[0])
    assert energies[-1] - energies[0] == pytest.approx(simpson(energy_rate, h), abs=1e-6 * energies[0])


def test_switching_takes_its_time_and_the_meter_route_cuts_the_supply():
    world = new_world()
    world.set_outputs(COIL)
    world.advance_to(30e-6)
    assert world.coil_current_a() == 0.0
    world.advance_to(0.1)
    full_a = world.coil_current_a()
    assert world.supply_v() == pytest.approx(13.5 - 0.15 * full_a, abs=1e-9)
    world.set_outputs(COIL | METER)
    world.advance_to(0.102)
    assert math.isinf(world.meter_ohm(4))
    world.advance_to(0.2)
    assert world.coil_current_a() == 0.0
    assert world.meter_volts() == 0.0
    assert world.meter_ohm(4) == pytest.approx(world.valve.coil.r20_ohm, rel=0.02)
    assert world.meter_ohm(2) - world.meter_ohm(4) == pytest.approx(world.bench.lead_ohm)


def test_a_relay_that_turns_back_on_its_way_does_not_switch():
    world = new_world()
    world.set_outputs(METER)
    world.advance_to(0.002)
    world.set_outputs(0)
    world.advance_to(0.1)
    assert math.isinf(world.meter_ohm(4))


def test_a_dead_supply_drops_the_armature_and_reads_nothing():
    world = new_world()
    world.set_outputs(COIL)
    world.advance_to(0.1)
    assert world.plunger_position() == 1.0
    world.supply_on = False
    world.advance_to(0.2)
    assert world.supply_v() == 0.0
    assert world.coil_current_a() == 0.0
    assert world.plunger_position() == 0.0
    world.supply_on = True
    world.advance_to(0.3)
    assert world.plunger_position() == 1.0


def test_pump_down_cools_the_gas_and_it_recovers_within_seconds():
    world = new_world()
    world.set_outputs(PUMPING)
    t = 0.0
    while world.pressure_pa() > 41_325.0:
        t += 0.05
        world.advance_to(t)
        assert t < 15.0
    cold_k = world.ambient_k - world.gas_k()
    assert 8.0 < cold_k < 18.0
    world.set_outputs(VENT)
    world.advance_to(t + 0.1)
    first_k = world.ambient_k - world.gas_k()
    world.advance_to(t + 1.1)
    time_constant_s = 1.0 / math.log(first_k / (world.ambient_k - world.gas_k()))
    assert 1.0 < time_constant_s < 4.0


def test_a_line_leak_and_the_reference_leak_lift_the_held_pressure_by_what_they_let_in():
    def rise_pa_s(outputs, line_leak_sccm=None):
        world = new_world()
        world.set_outputs(PUMPING)
        world.advance_to(8.0)
        world.set_outputs(outputs)
        if line_leak_sccm is not None:
            world.line_leak_sccm = line_leak_sccm
        world.advance_to(28.0)
        before = world.gas_mass_kg()
        world.advance_to(38.0)
        return (world.gas_mass_kg() - before) * R_AIR * 293.15 / 0.5e-3 / 10.0

    tight = rise_pa_s(VENT)
    # 3.6248 Pa/s for 1 sccm in 0.5 L at 20 degC; choked flow falls with the root of the inlet temperature
    warm = math.sqrt(293.15 / 295.15)
    assert rise_pa_s(VENT | REFERENCE) - tight == pytest.approx(10.0 * 3.6248 * warm, rel=1e-4)
    assert rise_pa_s(VENT, 40.15) - tight == pytest.approx(40.0 * 3.6248 * warm, rel=1e-4)


def test_a_weak_pump_never_gets_there():
    world = new_world()
    world.pump_strength *= 0.05
    world.set_outputs(PUMPING)
    world.advance_to(25.0)
    assert world.pressure_pa() > 60_000.0


def test_the_open_vent_brings_the_reservoir_back_to_the_ambient():
    world = new_world()
    world.set_outputs(PUMPING)
    world.advance_to(8.0)
    world.set_outputs(0)
    world.advance_to(10.0)
    assert world.pressure_pa() == pytest.approx(101_325.0, abs=10.0)
    world.advance_to(60.0)
    assert world.gas_k() == pytest.approx(world.ambient_k, abs=0.1)


@pytest.mark.parametrize("t_s", [-1.0, math.nan, math.inf])
def test_the_world_goes_to_no_instant_that_is_past_or_none(t_s):
    world = new_world()
    world.advance_to(0.5)
    with pytest.raises(ValueError, match="cannot go"):
        world.advance_to(t_s)


@pytest.mark.parametrize("model", MODELS)
def test_the_same_seed_gives_the_same_world(model):
    first, second = new_world(model), new_world(model)
    for world in (first, second):
        world.set_outputs(COIL)
        world.advance_to(0.03)
    assert readings(first) == readings(second)
