"""The simulated bench: everything happens when it is due, and nothing depends on how the way there is cut up."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol import messages as m
from firmware_protocol.frame import encode
from simulators.links.in_process import MemoryByteLink, SimClock
from simulators.simulated_bench import SimulatedBench
from tests.simulators.hand_client import HandClient
from tests.simulators.still_world import StillWorld


def talking(world: StillWorld, *, seed: int = 1) -> tuple[SimulatedBench, HandClient]:
    simulated_bench = SimulatedBench(world, seed=seed)
    client = HandClient(MemoryByteLink(simulated_bench), SimClock(simulated_bench))
    client.hello()
    return simulated_bench, client


def armed(world: StillWorld, **limits: int) -> tuple[SimulatedBench, HandClient]:
    simulated_bench, client = talking(world)
    client.arm(**limits)
    return simulated_bench, client


def test_the_board_introduces_itself():
    _, client = talking(StillWorld())
    hello = client.hello()
    assert hello.identity == b"BRSIM001"
    assert [quantity for quantity, _, _ in hello.channels] == [m.COIL_CURRENT, m.PRESSURE, m.SUPPLY, m.AMBIENT]
    assert hello.capture_words >= 2 * 30_000


def test_outputs_reach_the_world_when_the_request_arrives():
    world = StillWorld()
    simulated_bench, client = armed(world)
    simulated_bench.advance_to(0.5)
    assert client.set(m.VENT | m.PUMP).outputs == m.VENT | m.PUMP
    t_s, outputs = world.history[-1]
    assert outputs == m.VENT | m.PUMP
    assert 0.5 < t_s < 0.502
    assert t_s < simulated_bench.now_s


def test_a_silent_host_trips_the_board_exactly_at_its_limit():
    world = StillWorld()
    simulated_bench, client = armed(world, host_silent_ms=700)
    client.set(m.VENT)
    heard_s = world.history[-1][0]
    simulated_bench.advance_to(simulated_bench.now_s + 5.0)
    assert world.history[-1] == (pytest.approx(heard_s + 0.7, abs=2e-6), 0)
    assert client.status().cause == m.CAUSE_SILENT


def test_the_coil_goes_off_exactly_at_its_limit():
    world = StillWorld()
    simulated_bench, client = armed(world, coil_limit_ms=350, host_silent_ms=5000)
    client.set(m.COIL)
    on_s = world.history[-1][0]
    simulated_bench.advance_to(simulated_bench.now_s + 2.0)
    assert world.history[-1] == (pytest.approx(on_s + 0.35, abs=2e-6), 0)
    assert client.status().cause == m.CAUSE_COIL_TIME


def test_a_capture_switches_at_exact_instants():
    world = StillWorld()
    simulated_bench, client = armed(world)
    period_us, switch_at, release_at = 137, 401, 1003
    client.capture(9, 1 << m.COIL_CURRENT, period_us, 2000, switch_at, m.COIL, release_at, 0)
    capture_s = world.samplers[0]._t0_s
    simulated_bench.advance_to(simulated_bench.now_s + 0.5)
    progress = client.progress()
    assert (progress.recorded, progress.finished) == (2000, True)
    assert (progress.switched_us, progress.released_us) == (switch_at * period_us, release_at * period_us)
    (on_s, on), (off_s, off) = world.history[-2:]
    assert (on, off) == (m.COIL, 0)
    assert on_s - capture_s == pytest.approx(switch_at * period_us * 1e-6, abs=1.01e-6)
    assert off_s - on_s == pytest.approx((release_at - switch_at) * period_us * 1e-6, abs=1e-9)


@pytest.mark.parametrize(("attribute", "cause"), [("estop_ok", m.CAUSE_ESTOP), ("guard_closed", m.CAUSE_GUARD)])
def test_an_interlock_that_opens_trips_the_board_at_that_instant(attribute, cause):
    world = StillWorld()
    simulated_bench, client = armed(world)
    client.set(m.VENT)
    simulated_bench.at(0.25, lambda: setattr(simulated_bench, attribute, False))
    simulated_bench.advance_to(0.3)
    assert world.history[-1] == (0.25, 0)
    assert client.status().cause == cause


def test_an_interlock_set_directly_is_felt_at_once():
    world = StillWorld()
    simulated_bench, client = armed(world)
    client.set(m.VENT)
    simulated_bench.guard_closed = False
    assert world.outputs == 0


def test_too_much_current_trips_within_a_watch():
    world = StillWorld()
    simulated_bench, client = armed(world, over_current_raw=40_000)  # 2.01 V at the pin: 1.007 A
    client.set(m.COIL)
    world.surge_s = 0.1032
    simulated_bench.advance_to(0.2)
    t_s, outputs = world.history[-1]
    assert outputs == 0
    assert 0.1032 <= t_s <= 0.1082
    assert client.status().cause == m.CAUSE_OVER_CURRENT


def test_too_much_current_during_a_capture_trips_too():
    world = StillWorld()
    simulated_bench, client = armed(world, over_current_raw=40_000)
    client.capture(1, 1 << m.COIL_CURRENT, 100, 5000, 100, m.COIL, m.NEVER, 0)
    world.surge_s = 0.1032
    simulated_bench.advance_to(0.2)
    t_s, outputs = world.history[-1]
    assert outputs == 0
    assert 0.1032 <= t_s <= 0.1285


def test_stopping_twice_at_one_instant_is_stopping_once():
    answers = []
    for stops in (1, 3):
        simulated_bench, client = armed(StillWorld())
        client.set(m.COIL)
        for _ in range(stops):
            simulated_bench.advance_to(0.1)  # an instant at which the board looks at the coil current
        answers.append(simulated_bench.board_exchange(encode(200, m.READ, m.pack_read(1 << m.COIL_CURRENT, 5))))
    assert answers[0] == answers[1]


def test_actions_happen_in_order_and_past_ones_at_once():
    simulated_bench = SimulatedBench(StillWorld(), seed=1)
    happened: list[tuple[str, float]] = []

    def note(name: str):
        return lambda: happened.append((name, simulated_bench.now_s))

    simulated_bench.at(0.2, note("b"))
    simulated_bench.at(0.1, note("a"))
    simulated_bench.at(0.2, note("c"))
    simulated_bench.advance_to(1.0)
    simulated_bench.at(0.5, note("late"))
    assert happened == [("a", 0.1), ("b", 0.2), ("c", 0.2), ("late", 1.0)]


def test_every_change_of_the_outputs_is_told():
    world = StillWorld()
    simulated_bench, client = armed(world)
    told: list[tuple[float, int, int]] = []
    simulated_bench.on_change = lambda *what: told.append(what)
    client.set(m.VENT)
    client.set(m.VENT)
    simulated_bench.at(0.1, lambda: setattr(simulated_bench, "estop_ok", False))
    simulated_bench.advance_to(0.2)
    assert [what[1:] for what in told] == [(m.VENT, m.CAUSE_NONE), (0, m.CAUSE_ESTOP)]
    assert told[-1][0] == 0.1


def test_a_quiet_machine_does_not_stop_on_the_way():
    world = StillWorld()
    simulated_bench = SimulatedBench(world, seed=1)
    simulated_bench.advance_to(1000.0)
    assert world.stops_s == [1000.0]


@pytest.mark.slow
@settings(max_examples=25)
@given(st.lists(st.floats(0.0, 1.2), max_size=12))
def test_any_way_to_an_instant_gives_the_same_world_and_the_same_bytes(stops_s):
    def story(stops: list[float]) -> object:
        world = StillWorld()
        simulated_bench, client = armed(world, host_silent_ms=900)
        client.capture(3, 0b1111, 250, 4000, 500, m.COIL | m.VENT, 3000, m.VENT)
        simulated_bench.at(0.61803, lambda: setattr(world, "pa", 70_000.0))
        for stop_s in sorted(stops):
            simulated_bench.advance_to(max(stop_s, simulated_bench.now_s))
        simulated_bench.advance_to(1.2)
        return world.history, client.read(0b1111, 20), client.block(3, 2400, 100).tobytes()

    assert story(stops_s) == story([])
