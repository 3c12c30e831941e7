"""Faults: what a person may type, and what each one does to the bench."""

from __future__ import annotations

import inspect

import pytest

from firmware_protocol import messages as m
from simulators import bench_faults as faults
from simulators.bench_faults import FAULT_KINDS, Fault, parse_fault, schedule
from simulators.instruments.meter import IDENTITY, MeterMode
from simulators.links.in_process import MemoryByteLink, SimClock
from simulators.simulated_bench import SimulatedBench
from tests.simulators.hand_client import HandClient
from tests.simulators.still_world import StillWorld


def test_the_kinds_are_those_of_the_command_line():
    relays = {f"{name}-relay-{how}" for name in ("coil", "meter", "pump", "isolation", "vent", "reference")
              for how in ("welded", "dead")}  # fmt: skip
    assert set(FAULT_KINDS) == relays | {
        "supply-off", "estop", "guard", "unplug", "meter-silent", "meter-late", "meter-garbage", "meter-unplug",
        "meter-other", "line-leak", "weak-pump", "blocked-line", "transducer-stuck", "transducer-offset",
        "transducer-slow", "supply-sag", "supply-noise", "meter-range", "frames-lost", "frames-damaged",
        "frames-repeated", "frames-delayed", "ambient-step",
        "drifting-room", "heated-reservoir", "two-time-constants", "tap-in-flow",
        "tank-leak", "tank-not-drawn", "tank-line-blocked",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("estop@0", Fault("estop", 0.0)),
        ("meter-late@12.5", Fault("meter-late", 12.5)),
        ("unplug@.5", Fault("unplug", 0.5)),
    ],
)
def test_a_fault_is_a_kind_and_a_time(text, fault):
    assert parse_fault(text) == fault


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("fire@3", "no fault is called 'fire'; there are: supply-off, estop"),
        ("estop", "write estop@SECONDS, for example estop@0"),
        ("estop@", "write estop@SECONDS"),
        ("estop@soon", "write estop@SECONDS"),
        ("estop@-1", "write estop@SECONDS"),
        ("estop@nan", "write estop@SECONDS"),
        ("estop@" + "9" * 400, "write estop@SECONDS"),
        ("estop@1@2", "write estop@SECONDS"),
        ("@3", "no fault is called ''"),
        ("", "no fault is called ''"),
    ],
)
def test_what_cannot_be_read_is_refused_in_words(text, said):
    with pytest.raises(ValueError, match="Fault") as caught:
        parse_fault(text)
    assert said in str(caught.value)


def bench_with(fault: str) -> tuple[StillWorld, SimulatedBench, HandClient]:
    world = StillWorld()
    simulated_bench = SimulatedBench(world, seed=1)
    client = HandClient(MemoryByteLink(simulated_bench), SimClock(simulated_bench))
    client.hello()
    client.arm(host_silent_ms=10_000)
    client.set(m.VENT)
    schedule(simulated_bench, [parse_fault(fault)])
    return world, simulated_bench, client


@pytest.mark.parametrize(("fault", "cause"), [("estop@0.5", m.CAUSE_ESTOP), ("guard@0.5", m.CAUSE_GUARD)])
def test_an_interlock_fault_trips_at_its_instant_and_its_cause_persists(fault, cause):
    world, simulated_bench, client = bench_with(fault)
    simulated_bench.advance_to(1.0)
    assert world.history[-1] == (0.5, 0)
    status = client.status()
    assert (status.armed, status.cause) == (False, cause)
    kind, refused = client.ask(m.CLEAR)
    assert kind == m.REFUSED
    assert m.unpack_refused(refused).code == m.CAUSE_PERSISTS


def test_a_fault_at_zero_is_there_from_the_start():
    simulated_bench = SimulatedBench(StillWorld(), seed=1)
    schedule(simulated_bench, [parse_fault("estop@0"), parse_fault("supply-off@0")])
    assert not simulated_bench.estop_ok
    assert not simulated_bench.world.supply_on


def test_the_supply_goes_off_at_its_instant():
    world, simulated_bench, _ = bench_with("supply-off@0.5")
    simulated_bench.advance_to(0.499)
    assert world.supply_on
    simulated_bench.advance_to(0.5)
    assert not world.supply_on


def test_an_unplugged_board_runs_on_and_falls_silent():
    world, simulated_bench, client = bench_with("unplug@0.5")
    heard_s = world.history[-1][0]
    simulated_bench.advance_to(0.6)
    with pytest.raises(OSError, match="unplugged"):
        client.status()
    simulated_bench.advance_to(20.0)
    assert world.history[-1] == (pytest.approx(heard_s + 10.0, abs=2e-6), 0)


def test_a_line_leak_and_a_weak_pump_change_the_world():
    world, simulated_bench, _ = bench_with("line-leak@0.5")
    schedule(simulated_bench, [parse_fault("weak-pump@0.5")])
    before = world.line_leak_sccm
    simulated_bench.advance_to(1.0)
    assert world.line_leak_sccm > before + 10.0
    assert 0.0 < world.pump_strength < 0.5


@pytest.mark.parametrize(
    ("fault", "mode"),
    [
        ("meter-silent@0.5", MeterMode.SILENT),
        ("meter-late@0.5", MeterMode.LATE),
        ("meter-garbage@0.5", MeterMode.GARBAGE),
        ("meter-unplug@0.5", MeterMode.UNPLUGGED),
        ("meter-other@0.5", MeterMode.OTHER),
    ],
)
def test_a_meter_fault_changes_how_the_meter_behaves(fault, mode):
    _, simulated_bench, _ = bench_with(fault)
    simulated_bench.meter.handle("*IDN?", simulated_bench.now_s)
    simulated_bench.advance_to(0.4)
    assert simulated_bench.meter.take(0.4) == [IDENTITY]
    simulated_bench.advance_to(0.5)
    assert simulated_bench.meter_mode is mode


def test_no_fault_that_is_written_is_left_out_of_the_table():
    written = {
        name: each
        for name, each in vars(faults).items()
        if inspect.isfunction(each) and list(inspect.signature(each).parameters) == ["simulated_bench"]
    }
    assert {name for name, each in written.items() if each not in FAULT_KINDS.values()} == set()
