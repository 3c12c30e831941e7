"""The bench as one thing: fed in time, watched while waiting, recorded by, and made safe; constants, several faults."""

from __future__ import annotations

import dataclasses
import itertools
from datetime import UTC, datetime, timedelta

import pytest

from benchrig.bench.bench import RECORD_POLL_S, Bench
from benchrig.bench.calibrations import Calibration, Constant, with_calibrations
from benchrig.bench.problems import raise_all
from benchrig.bench.traceability import Traceability
from benchrig.bench.wiring import AT_REST, METERING, closed_up, pumping
from benchrig.drivers.exchange import ANSWER_S, TRIES
from benchrig.drivers.links import LONGEST_BLOCK_S
from benchrig.drivers.relay_board import Channel, Output
from benchrig.errors import BenchError, ConfigError, DeviceError, InterlockOpen, LinkError, LinkTimeout
from firmware_protocol import messages as m
from simulators.entry import OpenedSimulation
from tests.sequencer.short_runs import set_in_file, short_bench


def armed(**options) -> tuple[OpenedSimulation, Bench]:
    opened, bench, _ = short_bench(**options)
    bench.connect()
    bench.arm(20.0)
    return opened, bench


def switchings(opened: OpenedSimulation) -> list[tuple[float, int]]:
    """What the outputs became from now on, and when."""
    seen: list[tuple[float, int]] = []
    through = opened.simulated_bench.world.set_outputs

    def note(mask: int) -> None:
        seen.append((opened.simulated_bench.now_s, mask))
        through(mask)

    opened.simulated_bench.world.set_outputs = note  # type: ignore[method-assign]
    return seen


def words_to_the_board(opened: OpenedSimulation) -> list[float]:
    """When the board was spoken to from now on."""
    heard: list[float] = []
    through = opened.simulated_bench.board_exchange

    def note(data: bytes) -> bytes:
        heard.append(opened.simulated_bench.now_s)
        return through(data)

    opened.simulated_bench.board_exchange = note  # type: ignore[method-assign]
    return heard


# -- silence


def test_a_program_that_dies_leaves_the_outputs_on_for_two_seconds_and_no_longer():
    opened, bench = armed()
    bench.switch(pumping(coil=True))
    seen = switchings(opened)
    began_s = bench.clock.now()
    bench.clock.sleep_until(began_s + 15.0)
    went_off_s = next(at_s for at_s, mask in seen if mask == 0) - began_s
    assert 4 * LONGEST_BLOCK_S < went_off_s <= 2.05
    with pytest.raises(InterlockOpen, match="heard nothing from the host"):
        bench.feed()


def test_while_waiting_a_whole_lost_exchange_still_fits_before_the_board_falls_silent():
    opened, bench = armed()
    heard = words_to_the_board(opened)
    bench.wait(7.3)
    longest_s = max(b - a for a, b in itertools.pairwise(heard))
    assert longest_s + TRIES * ANSWER_S < 2.0
    assert longest_s <= 0.51


def test_a_wait_ends_at_its_instant_and_lets_the_screen_refresh():
    _, bench = armed()
    refreshed = []
    bench.on_wait = lambda: refreshed.append(bench.clock.now())
    began_s = bench.clock.now()
    bench.wait(2.2)
    assert bench.clock.now() - began_s == pytest.approx(2.2, abs=0.05)
    assert len(refreshed) >= 4


@pytest.mark.parametrize(("what", "words"), [("estop_ok", "emergency stop"), ("guard_closed", "guard")])
def test_a_trip_is_noticed_within_half_a_second_of_waiting(what, words):
    opened, bench = armed()
    bench.switch(pumping(coil=False))
    at_s = bench.clock.now() + 3.1
    opened.simulated_bench.at(at_s, lambda: setattr(opened.simulated_bench, what, False))
    with pytest.raises(InterlockOpen, match=f"switched everything off: the {words}"):
        bench.wait(10.0)
    assert bench.clock.now() - at_s <= 0.6
    assert opened.simulated_bench.board.outputs == 0


# -- interlock inputs


@pytest.mark.parametrize(
    ("open_ones", "said", "unsaid"),
    [
        (("estop_ok",), "Emergency stop is pressed", "Guard"),
        (("guard_closed",), "Guard is open", "Emergency"),
        (("estop_ok", "guard_closed"), "Emergency stop is pressed. Guard is open.", "no such words"),
    ],
)
def test_before_arming_each_open_interlock_is_named_with_what_to_do(open_ones, said, unsaid):
    opened, bench, _ = short_bench()
    bench.connect()
    for each in open_ones:
        setattr(opened.simulated_bench, each, False)
    with pytest.raises(InterlockOpen) as caught:
        bench.arm(20.0)
    assert said in str(caught.value)
    assert unsaid not in str(caught.value)
    assert caught.value.hint
    assert not opened.simulated_bench.board.armed


def test_an_interlock_that_opens_while_nothing_can_be_switched_is_noticed_too():
    opened, bench = armed()
    bench.make_safe()
    opened.simulated_bench.guard_closed = False
    opened.simulated_bench.board.cause = m.CAUSE_NONE  # a firmware that latches nothing while it is disarmed
    with pytest.raises(InterlockOpen, match="Guard is open"):
        bench.feed()


def test_a_trip_of_an_earlier_run_is_cleared_and_noted():
    opened, bench = armed()
    bench.switch(pumping(coil=False))
    bench.clock.sleep_until(bench.clock.now() + 5.0)
    assert opened.simulated_bench.board.cause == m.CAUSE_SILENT
    bench.arm(20.0)
    assert bench.notes == [
        "the board had switched everything off before this run: it heard nothing from the host for too long"
    ]
    bench.switch(METERING)


# -- the board's own limits


def test_the_coil_is_on_no_longer_than_the_limit_that_was_told():
    opened, bench, _ = short_bench()
    bench.connect()
    bench.arm(3.0)
    seen = switchings(opened)
    bench.switch(frozenset({Output.COIL}))
    began_s = bench.clock.now()
    with pytest.raises(InterlockOpen, match="the coil was on for longer"):
        bench.wait(10.0)
    off_s = next(at_s for at_s, mask in seen if not mask & m.COIL) - began_s
    assert off_s == pytest.approx(3.0, abs=0.02)


def test_the_over_current_limit_is_the_bench_files_through_its_own_shunt():
    opened, bench, _ = short_bench()
    set_in_file(bench, "shunt", over_current_a=0.45)  # the coil draws 0.54 A
    bench.connect()
    bench.arm(20.0)
    bench.switch(frozenset({Output.COIL}))
    with pytest.raises(InterlockOpen, match="current was above its limit") as caught:
        bench.wait(2.0)
    assert "known-good valve" in caught.value.hint
    assert opened.simulated_bench.board.outputs == 0
    set_in_file(bench, "shunt", over_current_a=0.6)
    bench.connect()
    bench.arm(20.0)
    bench.switch(frozenset({Output.COIL}))
    bench.wait(2.0)
    assert bench.current_a() == pytest.approx(0.54, abs=0.03)


# -- the safe state


def test_the_bench_is_made_safe_in_order_isolation_first_then_pump_then_vent():
    opened, bench = armed()
    bench.switch(pumping(coil=True))
    seen = switchings(opened)
    assert bench.make_safe() == (True, "all outputs off, pump stopped, vent open")
    went = [mask for mask, _ in itertools.groupby(mask for _, mask in seen)]
    assert went[:3] == [m.PUMP | m.VENT, m.VENT, 0]
    assert not opened.simulated_bench.board.armed


def test_a_bench_that_does_not_answer_is_not_called_safe():
    opened, bench = armed()
    bench.switch(pumping(coil=False))
    opened.simulated_bench.board_unplugged = True
    safe, state = bench.make_safe()
    assert safe is False
    assert "not known" in state
    assert "2 s after the last word" in state


def test_a_board_that_says_an_output_is_still_on_is_not_called_safe(monkeypatch):
    _, bench = armed()
    disarm = bench.board.disarm
    monkeypatch.setattr(
        bench.board, "disarm", lambda: dataclasses.replace(disarm(), outputs=frozenset({Output.COIL, Output.PUMP}))
    )
    assert bench.make_safe() == (False, "NOT safe: outputs still on: coil, pump")


def test_making_safe_twice_or_before_arming_does_no_harm():
    _, bench, _ = short_bench()
    bench.connect()
    for _ in range(2):
        assert bench.make_safe()[0] is True


# -- switching and recording


def test_switching_passes_through_the_states_of_the_wiring():
    opened, bench = armed()
    seen = switchings(opened)
    bench.switch(pumping(coil=False))
    bench.switch(METERING)
    went = [mask for mask, _ in itertools.groupby(mask for _, mask in seen)]
    isolation_open = m.VENT | m.ISOLATION
    assert went == [m.VENT, isolation_open, isolation_open | m.PUMP, m.VENT | m.PUMP, m.VENT, 0, m.METER]


def test_a_recording_counts_its_time_from_the_switch_and_ends_early_when_it_has_enough():
    _, bench = armed()
    bench.switch(closed_up(coil=False))
    full = bench.record(
        (Channel.PRESSURE, Channel.COIL_CURRENT),
        period_s=0.001,
        samples=300,
        switch_at=100,
        switch_to=closed_up(coil=True),
        release_at=200,
        release_to=closed_up(coil=False),
    )
    assert full.time_s[0] == pytest.approx(-0.100)
    assert full.time_s[100] == pytest.approx(0.0, abs=1e-6)
    assert full.released_s == pytest.approx(0.100, abs=1e-4)
    assert set(full.columns) == {"pressure_pa", "current_a"}
    assert len(full.time_s) == len(full.columns["current_a"]) == 300
    assert abs(full.columns["current_a"][:99].mean()) < 0.01
    assert full.columns["current_a"][190:199].mean() > 0.4
    short = bench.record((Channel.PRESSURE,), period_s=0.001, samples=20_000, enough=lambda got: got.time_s[-1] > 2.0)
    assert 2.0 < short.time_s[-1] < 4.0


@pytest.mark.parametrize(
    ("begin", "to"),
    [
        (frozenset(), pumping(coil=False)),
        (frozenset({Output.METER}), frozenset({Output.COIL, Output.METER})),
        (frozenset({Output.REFERENCE}), frozenset({Output.REFERENCE, Output.PUMP})),
    ],
)
def test_a_recording_throws_no_more_than_one_switch_and_only_to_an_allowed_state(begin, to):
    _, bench = armed()
    bench.switch(begin)
    with pytest.raises(ValueError, match="one switch at a time"):
        bench.record((Channel.PRESSURE,), period_s=0.001, samples=100, switch_at=10, switch_to=to)


def test_an_interlock_that_opens_during_a_recording_ends_it():
    opened, bench = armed()
    bench.switch(pumping(coil=False))
    opened.simulated_bench.at(bench.clock.now() + 1.0, lambda: setattr(opened.simulated_bench, "estop_ok", False))
    with pytest.raises(InterlockOpen, match="emergency stop"):
        bench.record((Channel.PRESSURE,), period_s=0.001, samples=8_000)


# -- who answers


def test_another_board_and_another_meter_are_refused_both_at_once():
    _, bench, _ = short_bench()
    set_in_file(bench, "board", identity="BR000007")
    set_in_file(bench, "meter", identity="ANOTHER MAKER")
    with pytest.raises(DeviceError) as caught:
        bench.connect()
    assert caught.value.exit_status == 3
    assert "2 things are wrong" in str(caught.value)
    assert "'BRSIM001'; the bench file wants 'BR000007'" in str(caught.value)
    assert "wants 'ANOTHER MAKER'" in str(caught.value)


def test_faults_of_two_kinds_are_told_together_and_each_by_itself():
    opened, bench, _ = short_bench()
    opened.simulated_bench.board_unplugged = True
    set_in_file(bench, "meter", identity="ANOTHER MAKER")
    with pytest.raises(BenchError) as caught:
        bench.connect()
    assert "2 things are wrong" in str(caught.value)
    assert [type(each) for each in caught.value.problems] == [LinkError, DeviceError]


def test_a_meter_that_never_gets_ready_is_given_up_after_five_seconds_while_the_board_is_fed(monkeypatch):
    opened, bench = armed()
    monkeypatch.setattr(bench.meter, "ready", lambda: False)
    began_s = bench.clock.now()
    with pytest.raises(LinkTimeout, match="no resistance reading within 5 s"):
        bench.coil_readings_ohm(1)
    assert 5.0 <= bench.clock.now() - began_s < 6.0
    assert opened.simulated_bench.board.cause == m.CAUSE_NONE
    assert bench.make_safe()[0]


def test_the_meter_is_on_the_coil_only_while_it_reads():
    opened, bench = armed()
    seen = switchings(opened)
    (ohm,) = bench.coil_readings_ohm(1)
    assert 22.0 < ohm < 28.0
    assert [mask for mask, _ in itertools.groupby(mask for _, mask in seen)] == [m.METER, 0]
    assert bench._state == AT_REST


def test_a_switch_that_the_board_never_throws_is_a_fault_of_the_board(monkeypatch):
    _, bench = armed()
    bench.switch(closed_up(coil=False))
    progress = bench.board.progress
    monkeypatch.setattr(bench.board, "progress", lambda: dataclasses.replace(progress(), switched_us=None))
    with pytest.raises(BenchError, match="never threw the switch"):
        bench.record((Channel.PRESSURE,), period_s=0.001, samples=50, switch_at=10, switch_to=closed_up(coil=True))


def test_a_calibrated_scale_and_zero_are_those_that_readings_and_recordings_are_made_by():
    _, bench = armed()
    bench.switch(closed_up(coil=True))
    bench.wait(0.2)
    amps = bench.current_a()
    recorded = bench.record((Channel.COIL_CURRENT,), period_s=0.001, samples=50).columns["current_a"].mean()
    scale = Constant("shunt volts_per_amp", 2.0 * bench.file.shunt.volts_per_amp, 0.001, "V/A")
    bench.apply_calibrations(
        Traceability(
            used=(Calibration("shunt", (scale,), (scale,), (), NOW, NOW + timedelta(days=1), "me", "", number=4),)
        )
    )
    assert bench.current_a() == pytest.approx(amps / 2, rel=0.01)
    halved = bench.record((Channel.COIL_CURRENT,), period_s=0.001, samples=50).columns["current_a"].mean()
    assert halved == pytest.approx(recorded / 2, rel=0.01)


# -- long runs


def test_a_recording_keeps_its_time_where_the_boards_microseconds_pass_32_bits():
    opened, bench, _ = short_bench()
    bench.connect()
    opened.clock.sleep_until(2**32 * 1e-6 - 2.0)  # 72 minutes after the board's start
    bench.arm(20.0)
    bench.switch(closed_up(coil=False))
    began_s = bench.clock.now()
    got = bench.record(
        (Channel.COIL_CURRENT,), period_s=0.001, samples=4_000, switch_at=3_000, switch_to=closed_up(coil=True)
    )
    assert began_s < 2**32 * 1e-6 < bench.clock.now()
    assert len(got.time_s) == 4_000
    assert {round(step_s, 9) for step_s in got.time_s[1:] - got.time_s[:-1]} == {0.001}
    assert abs(got.columns["current_a"][got.time_s < 0].mean()) < 0.01
    assert got.columns["current_a"][got.time_s > 0.2].mean() > 0.4


def test_the_board_stays_fed_however_often_the_number_of_the_request_begins_anew():
    opened, bench = armed()
    bench.switch(closed_up(coil=False))
    heard = words_to_the_board(opened)
    bench.wait(300.0)
    assert len(heard) > 2 * 256
    assert bench.board.status().outputs == closed_up(coil=False)


def test_while_recording_the_board_is_fed_at_least_as_often_as_it_is_asked_what_it_has():
    opened, bench = armed()
    bench.switch(closed_up(coil=False))
    heard = words_to_the_board(opened)
    bench.record((Channel.PRESSURE,), period_s=0.001, samples=6_000)
    longest_s = max(b - a for a, b in itertools.pairwise(heard))
    assert longest_s <= RECORD_POLL_S + 0.1
    assert longest_s + TRIES * ANSWER_S < 2.0


# -- stopping


@pytest.mark.parametrize("doing", ["waiting", "recording", "reading the meter"])
def test_a_stop_that_is_wanted_ends_whatever_the_bench_is_doing_within_a_second(doing):
    _, bench = armed()
    bench.switch(closed_up(coil=False))
    began_s = bench.clock.now()
    bench.stop_wanted = lambda: bench.clock.now() - began_s > 1.0
    do = {
        "waiting": lambda: bench.wait(30.0),
        "recording": lambda: bench.record((Channel.PRESSURE,), period_s=0.001, samples=20_000),
        "reading the meter": lambda: bench.coil_readings_ohm(100),
    }
    with pytest.raises(KeyboardInterrupt):
        do[doing]()
    assert bench.clock.now() - began_s < 2.0
    assert bench.make_safe() == (True, "all outputs off, pump stopped, vent open")


def test_outputs_that_cannot_be_switched_off_in_order_are_switched_off_at_once(monkeypatch):
    opened, bench = armed()
    bench.switch(pumping(coil=True))

    def refuses(outputs):
        raise DeviceError("The board refused.", hint="Report it.")

    monkeypatch.setattr(bench.board, "set_outputs", refuses)
    assert bench.make_safe()[0]
    assert opened.simulated_bench.board.outputs == 0
    assert not opened.simulated_bench.board.armed
    assert not bench.armed


# -- constants, and several faults at once

NOW = datetime(2026, 11, 26, 12, tzinfo=UTC)


def calibration(name: str, value: float, u: float) -> Calibration:
    kind = {"reservoir volume_l": "volume", "meter lead_ohm": "leads"}[name]
    constant = Constant(name, value, u, "")
    return Calibration(kind, (constant,), (constant,), (), NOW, NOW + timedelta(days=1), "me", "by hand", number=3)


def test_calibrations_do_not_discard_a_barometer_that_was_entered_before():
    _, bench, _ = short_bench()
    bench.enter_barometer(97.3)
    bench.apply_calibrations(Traceability(used=(calibration("reservoir volume_l", 0.6, 0.001),)))
    assert bench.file.bench.barometer_kpa == 97.3
    assert bench.file.reservoir.volume_l == 0.6


def test_one_fault_is_raised_as_it_is():
    wrong = LinkTimeout("no answer", hint="cable")
    with pytest.raises(LinkTimeout) as raised:
        raise_all([wrong])
    assert raised.value is wrong
    raise_all([])


@pytest.mark.parametrize(
    ("problems", "kind"),
    [
        ([LinkTimeout("a", hint="x"), LinkError("b", hint="y")], LinkError),
        ([ConfigError("a", hint="x"), LinkTimeout("b", hint="y")], BenchError),
        ([ConfigError("a", hint="x"), ConfigError("b", hint="y")], ConfigError),
        ([DeviceError("a", hint="x"), LinkError("b", hint="y")], BenchError),
    ],
)
def test_several_faults_are_one_error_of_what_they_have_in_common_and_keep_each_with_its_hint(problems, kind):
    with pytest.raises(BenchError) as raised:
        raise_all(problems)
    assert type(raised.value) is kind
    assert [(str(each), each.hint) for each in raised.value.problems] == [("a", "x"), ("b", "y")]
    assert str(raised.value) == "2 things are wrong with the bench:\n  a\n  b"
    assert raised.value.hint == "x\ny"
    assert isinstance(raised.value.__cause__, ExceptionGroup)
    assert raised.value.__cause__.exceptions == tuple(problems)


@pytest.mark.parametrize(("name", "value", "u"), [("reservoir volume_l", -0.5, 0.001), ("meter lead_ohm", 0.1, -1.0)])
def test_a_calibrated_constant_is_held_against_the_bounds_of_the_bench_file(name, value, u):
    _, bench, _ = short_bench()
    wrong = calibration(name, value, u)
    with pytest.raises(ConfigError, match="cal-0003") as refused:
        with_calibrations(bench.loaded.file, [wrong])
    assert "withdraw cal-0003" in refused.value.hint


def test_a_calibration_within_the_bounds_counts_with_its_uncertainty():
    _, bench, _ = short_bench()
    file = with_calibrations(bench.loaded.file, [calibration("reservoir volume_l", 0.6, 0.003)])
    assert (file.reservoir.volume_l, file.reservoir.u_percent) == (0.6, pytest.approx(0.5))
    assert dataclasses.replace(bench.loaded, file=file).file.meter == bench.loaded.file.meter
