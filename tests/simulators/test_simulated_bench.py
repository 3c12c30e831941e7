"""The machine: everything happens when it is due, and nothing depends on how the way there is cut up."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol import messages as m
from firmware_protocol.frame import encode
from simulators.links.in_process import MemoryByteLink, SimClock
from simulators.simulated_bench import SimulatedBench
from tests.simulators.hand_client import HandClient
from tests.simulators.plants import StillPlant


def talking(plant: StillPlant, *, seed: int = 1) -> tuple[SimulatedBench, HandClient]:
    machine = SimulatedBench(plant, seed=seed)
    client = HandClient(MemoryByteLink(machine), SimClock(machine))
    client.hello()
    return machine, client


def armed(plant: StillPlant, **limits: int) -> tuple[SimulatedBench, HandClient]:
    machine, client = talking(plant)
    client.arm(**limits)
    return machine, client


def test_the_board_introduces_itself():
    _, client = talking(StillPlant())
    hello = client.hello()
    assert hello.identity == b"BRSIM001"
    assert [quantity for quantity, _, _ in hello.channels] == [m.COIL_CURRENT, m.PRESSURE, m.SUPPLY, m.AMBIENT]
    assert hello.capture_words >= 2 * 30_000


def test_outputs_reach_the_world_when_the_request_arrives():
    plant = StillPlant()
    machine, client = armed(plant)
    machine.advance_to(0.5)
    assert client.set(m.VENT | m.PUMP).outputs == m.VENT | m.PUMP
    t_s, outputs = plant.history[-1]
    assert outputs == m.VENT | m.PUMP
    assert 0.5 < t_s < 0.502
    assert t_s < machine.now_s


def test_a_silent_host_trips_the_board_exactly_at_its_limit():
    plant = StillPlant()
    machine, client = armed(plant, host_silent_ms=700)
    client.set(m.VENT)
    heard_s = plant.history[-1][0]
    machine.advance_to(machine.now_s + 5.0)
    assert plant.history[-1] == (pytest.approx(heard_s + 0.7, abs=2e-6), 0)
    assert client.status().cause == m.CAUSE_SILENT


def test_the_coil_goes_off_exactly_at_its_limit():
    plant = StillPlant()
    machine, client = armed(plant, coil_limit_ms=350, host_silent_ms=5000)
    client.set(m.COIL)
    on_s = plant.history[-1][0]
    machine.advance_to(machine.now_s + 2.0)
    assert plant.history[-1] == (pytest.approx(on_s + 0.35, abs=2e-6), 0)
    assert client.status().cause == m.CAUSE_COIL_TIME


def test_a_capture_switches_at_exact_instants():
    plant = StillPlant()
    machine, client = armed(plant)
    period_us, switch_at, release_at = 137, 401, 1003
    client.capture(9, 1 << m.COIL_CURRENT, period_us, 2000, switch_at, m.COIL, release_at, 0)
    capture_s = plant.samplers[0]._t0_s
    machine.advance_to(machine.now_s + 0.5)
    progress = client.progress()
    assert (progress.recorded, progress.finished) == (2000, True)
    assert (progress.switched_us, progress.released_us) == (switch_at * period_us, release_at * period_us)
    (on_s, on), (off_s, off) = plant.history[-2:]
    assert (on, off) == (m.COIL, 0)
    assert on_s - capture_s == pytest.approx(switch_at * period_us * 1e-6, abs=1.01e-6)
    assert off_s - on_s == pytest.approx((release_at - switch_at) * period_us * 1e-6, abs=1e-9)


@pytest.mark.parametrize(("attribute", "cause"), [("estop_ok", m.CAUSE_ESTOP), ("guard_closed", m.CAUSE_GUARD)])
def test_an_interlock_that_opens_trips_the_board_at_that_instant(attribute, cause):
    plant = StillPlant()
    machine, client = armed(plant)
    client.set(m.VENT)
    machine.at(0.25, lambda: setattr(machine, attribute, False))
    machine.advance_to(0.3)
    assert plant.history[-1] == (0.25, 0)
    assert client.status().cause == cause


def test_an_interlock_set_directly_is_felt_at_once():
    plant = StillPlant()
    machine, client = armed(plant)
    client.set(m.VENT)
    machine.guard_closed = False
    assert plant.outputs == 0


def test_too_much_current_trips_within_a_watch():
    plant = StillPlant()
    machine, client = armed(plant, over_current_raw=40_000)  # 2.01 V at the pin: 1.007 A
    client.set(m.COIL)
    plant.surge_s = 0.1032
    machine.advance_to(0.2)
    t_s, outputs = plant.history[-1]
    assert outputs == 0
    assert 0.1032 <= t_s <= 0.1082
    assert client.status().cause == m.CAUSE_OVER_CURRENT


def test_too_much_current_during_a_capture_trips_too():
    plant = StillPlant()
    machine, client = armed(plant, over_current_raw=40_000)
    client.capture(1, 1 << m.COIL_CURRENT, 100, 5000, 100, m.COIL, m.NEVER, 0)
    plant.surge_s = 0.1032
    machine.advance_to(0.2)
    t_s, outputs = plant.history[-1]
    assert outputs == 0
    assert 0.1032 <= t_s <= 0.1285


def test_stopping_twice_at_one_instant_is_stopping_once():
    answers = []
    for stops in (1, 3):
        machine, client = armed(StillPlant())
        client.set(m.COIL)
        for _ in range(stops):
            machine.advance_to(0.1)  # an instant at which the board looks at the coil current
        answers.append(machine.board_exchange(encode(200, m.READ, m.pack_read(1 << m.COIL_CURRENT, 5))))
    assert answers[0] == answers[1]


def test_actions_happen_in_order_and_past_ones_at_once():
    machine = SimulatedBench(StillPlant(), seed=1)
    happened: list[tuple[str, float]] = []

    def note(name: str):
        return lambda: happened.append((name, machine.now_s))

    machine.at(0.2, note("b"))
    machine.at(0.1, note("a"))
    machine.at(0.2, note("c"))
    machine.advance_to(1.0)
    machine.at(0.5, note("late"))
    assert happened == [("a", 0.1), ("b", 0.2), ("c", 0.2), ("late", 1.0)]


def test_every_change_of_the_outputs_is_told():
    plant = StillPlant()
    machine, client = armed(plant)
    told: list[tuple[float, int, int]] = []
    machine.on_change = lambda *what: told.append(what)
    client.set(m.VENT)
    client.set(m.VENT)
    machine.at(0.1, lambda: setattr(machine, "estop_ok", False))
    machine.advance_to(0.2)
    assert [what[1:] for what in told] == [(m.VENT, m.CAUSE_NONE), (0, m.CAUSE_ESTOP)]
    assert told[-1][0] == 0.1


def test_a_quiet_machine_does_not_stop_on_the_way():
    plant = StillPlant()
    machine = SimulatedBench(plant, seed=1)
    machine.advance_to(1000.0)
    assert plant.stops_s == [1000.0]


@pytest.mark.slow
@settings(max_examples=25)
@given(st.lists(st.floats(0.0, 1.2), max_size=12))
def test_any_way_to_an_instant_gives_the_same_world_and_the_same_bytes(stops_s):
    def story(stops: list[float]) -> object:
        plant = StillPlant()
        machine, client = armed(plant, host_silent_ms=900)
        client.capture(3, 0b1111, 250, 4000, 500, m.COIL | m.VENT, 3000, m.VENT)
        machine.at(0.61803, lambda: setattr(plant, "pa", 70_000.0))
        for stop_s in sorted(stops):
            machine.advance_to(max(stop_s, machine.now_s))
        machine.advance_to(1.2)
        return plant.history, client.read(0b1111, 20), client.block(3, 2400, 100).tobytes()

    assert story(stops_s) == story([])
