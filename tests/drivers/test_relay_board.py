"""The board's driver against the simulated bench and against peers that are no board."""

import io
import random

import numpy as np
import pytest

from benchrig.bench.bench import HOST_SILENT_S
from benchrig.drivers.exchange import LONGEST_ANSWER_S, LONGEST_CONVERSION_S
from benchrig.drivers.relay_board import ANSWER_S, TRIES, CapturePlan, Channel, Output, RelayBoard, TripCause
from benchrig.drivers.wire_log import WireLog
from benchrig.errors import ConfigError, DeviceError, InterlockOpen, LinkError, LinkTimeout
from firmware_protocol import messages
from firmware_protocol.frame import Decoder, encode
from firmware_protocol.messages import COIL
from simulators.links.in_process import MemoryByteLink, SimClock
from simulators.simulated_bench import SimulatedBench
from tests.drivers.fakes import ScriptedByteLink, SteadyWorld, Ticks

RUNNING = frozenset({Output.VENT, Output.ISOLATION, Output.PUMP})


class Rig:
    def __init__(self):
        self.world = SteadyWorld()
        self.simulated_bench = SimulatedBench(self.world, seed=3)
        self.clock = SimClock(self.simulated_bench)
        self.log = io.StringIO()
        self.board = RelayBoard(MemoryByteLink(self.simulated_bench), self.clock, wire_log=WireLog(self.log))

    def wait(self, seconds):
        self.clock.sleep_until(self.clock.now() + seconds)


@pytest.fixture
def rig():
    return Rig()


@pytest.fixture
def armed(rig):
    rig.board.hello()
    rig.board.arm(1.0, 60.0, 3.0)
    return rig


def replies(answer):
    """A link whose other end gives `answer(seq, kind, body)` as (seq, kind, body), or raw bytes, for every request."""

    def respond(data):
        decoder = Decoder()
        out = b""
        for request in decoder.feed(data):
            got = answer(*request)
            out += got if isinstance(got, bytes) else encode(*got)
        return out

    clock = Ticks()
    return RelayBoard(ScriptedByteLink(clock, respond), clock), clock


def hello_body(**changes):
    hello = messages.Hello(
        1, 0, 7, b"BRTEST01", messages.ALL_OUTPUTS, 65536, 1024, 100, 10000, 600000,
        ((0, 12, 3300), (1, 16, 3300), (2, 12, 3300), (3, 12, 3300)),
    )  # fmt: skip
    return messages.pack_hello(hello._replace(**changes))


# ---- greeting


def test_hello_tells_who_the_board_is_and_what_it_measures(rig):
    hello = rig.board.hello()
    assert (hello.identity, hello.major) == ("BRSIM001", messages.MAJOR)
    assert hello.capture_words > 0
    assert {c: f.full_scale_v for c, f in hello.channels.items()} == dict.fromkeys(Channel, 3.3)
    assert hello.channels[Channel.PRESSURE].bits == 16


@pytest.mark.parametrize(("major", "update"), [(0, "the board's firmware"), (2, "this program")])
def test_another_major_version_is_refused_and_says_which_side_to_update(major, update):
    board, _ = replies(lambda seq, kind, body: (seq, kind | 0x80, hello_body(major=major)))
    with pytest.raises(ConfigError, match=rf"protocol {major}\.0") as caught:
        board.hello()
    assert update in caught.value.hint


def test_another_minor_version_is_welcome():
    board, _ = replies(lambda seq, kind, body: (seq, kind | 0x80, hello_body(minor=9)))
    assert board.hello().minor == 9


def test_a_board_without_a_needed_channel_is_refused_by_name():
    board, _ = replies(lambda seq, kind, body: (seq, kind | 0x80, hello_body(channels=((0, 12, 3300), (1, 16, 3300)))))
    with pytest.raises(ConfigError, match="does not measure supply, ambient"):
        board.hello()


def test_a_port_on_which_nobody_answers_is_no_relay_board():
    clock = Ticks()
    board = RelayBoard(ScriptedByteLink(clock, lambda _: b""), clock)
    with pytest.raises(LinkTimeout, match="No relay board answered on /dev/ttyACM7 within 1 s: nothing came back") as e:
        board.hello()
    assert "supply" in e.value.hint


@pytest.mark.parametrize("seed", range(20))
def test_a_port_that_answers_with_random_bytes_is_no_relay_board(seed):
    noise = random.Random(seed)
    clock = Ticks()
    board = RelayBoard(ScriptedByteLink(clock, lambda _: noise.randbytes(noise.randrange(1, 300))), clock)
    with pytest.raises(LinkTimeout, match="what came back is not the board's protocol"):
        board.hello()


def test_an_echo_is_no_relay_board():
    clock = Ticks()
    board = RelayBoard(ScriptedByteLink(clock, lambda data: data), clock)
    with pytest.raises(LinkTimeout, match="No relay board answered"):
        board.hello()


def test_a_whole_frame_with_another_body_than_hello_is_a_link_error_not_a_crash():
    board, _ = replies(lambda seq, kind, body: (seq, kind | 0x80, b"\x01\x00short"))
    with pytest.raises(LinkError, match="no relay board that this program knows"):
        board.hello()


# ---- switching


def test_outputs_become_exactly_those_wanted(armed):
    for wanted in (RUNNING, frozenset({Output.COIL, Output.VENT}), frozenset({Output.METER}), frozenset()):
        assert armed.board.set_outputs(wanted).outputs == wanted
        assert armed.world.switched[-1][1] == sum(output.value for output in wanted)


def test_status_tells_armed_interlocks_and_cause(armed):
    status = armed.board.status()
    assert (status.armed, status.estop_ok, status.guard_closed, status.cause) == (True, True, True, TripCause.NONE)
    armed.simulated_bench.guard_closed = False
    status = armed.board.status()
    assert (status.armed, status.guard_closed, status.cause, status.outputs) == (
        False,
        False,
        TripCause.GUARD,
        frozenset(),
    )
    assert status.cause_at_s <= status.at_s


def test_a_state_that_was_not_reached_is_named_output_by_output():
    def stuck(seq, kind, body):
        if kind == messages.HELLO:
            return seq, kind | 0x80, hello_body()
        return seq, kind | 0x80, messages.pack_status(messages.Status(5, messages.PUMP, 3, True, False, 0, 0))

    board, _ = replies(stuck)
    board.hello()
    with pytest.raises(DeviceError, match=r"coil is off, pump is on\."):
        board.set_outputs(frozenset({Output.COIL}))


def test_supply_and_meter_together_are_refused_in_words(armed):
    armed.board.set_outputs(frozenset({Output.VENT}))
    with pytest.raises(DeviceError, match=r"refused SET: coil supply and meter would be on together"):
        armed.board.set_outputs(frozenset({Output.COIL, Output.METER}))
    assert armed.board.status().outputs == frozenset({Output.VENT})


def test_switching_without_arming_is_refused_and_switches_nothing(rig):
    rig.board.hello()
    with pytest.raises(DeviceError, match="not armed"):
        rig.board.set_outputs(RUNNING)
    assert {mask for _, mask in rig.world.switched} == {0}


def test_after_a_trip_switching_is_an_open_interlock_that_names_the_cause(armed):
    armed.board.set_outputs(RUNNING)
    armed.simulated_bench.estop_ok = False
    with pytest.raises(InterlockOpen, match="emergency stop was pressed") as caught:
        armed.board.set_outputs(RUNNING)
    assert "why it was pressed" in str(caught.value.hint)


def test_arming_with_the_guard_open_is_an_open_interlock(rig):
    rig.board.hello()
    rig.simulated_bench.guard_closed = False
    with pytest.raises(InterlockOpen, match="an interlock is open"):
        rig.board.arm(1.0, 60.0, 3.0)


def test_a_silent_host_finds_everything_off_and_the_cause_latched_until_cleared(armed):
    armed.board.set_outputs(RUNNING)
    armed.wait(1.5)
    status = armed.board.status()
    assert (status.outputs, status.armed, status.cause) == (frozenset(), False, TripCause.SILENT)
    with pytest.raises(InterlockOpen, match="heard nothing from the host"):
        armed.board.arm(1.0, 60.0, 3.0)
    assert armed.board.clear().cause is TripCause.NONE
    assert armed.board.arm(1.0, 60.0, 3.0).armed


def test_a_cause_that_persists_cannot_be_cleared(armed):
    armed.simulated_bench.guard_closed = False
    with pytest.raises(DeviceError, match="what tripped the board is still so") as caught:
        armed.board.clear()
    assert caught.value.code == messages.CAUSE_PERSISTS


def test_disarming_switches_everything_off(armed):
    armed.board.set_outputs(RUNNING)
    status = armed.board.disarm()
    assert (status.outputs, status.armed) == (frozenset(), False)


@pytest.mark.parametrize(
    ("limits", "named"),
    [((0.01, 60.0, 3.0), "host-silent"), ((1.0, 1e6, 3.0), "coil limit"), ((1.0, 60.0, 3.4), "over-current")],
)
def test_limits_that_the_board_cannot_keep_are_a_configuration_error(rig, limits, named):
    rig.board.hello()
    with pytest.raises(ConfigError, match=named):
        rig.board.arm(*limits)
    assert not rig.board.status().armed


def test_current_above_the_limit_trips_the_board(rig):
    rig.board.hello()
    rig.board.arm(1.0, 60.0, 0.8)  # 0.4 A; the world's coil draws 0.5 A
    rig.board.set_outputs(frozenset({Output.COIL}))
    rig.wait(0.05)
    assert rig.board.status().cause is TripCause.OVER_CURRENT


def test_every_refusal_code_has_words_and_a_hint():
    codes = [
        value
        for name, value in vars(messages).items()
        if name in ("BAD_LENGTH", "UNKNOWN_KIND", "OUT_OF_RANGE", "NO_HELLO", "NOT_ARMED", "TRIPPED", "INTERLOCK_OPEN",
                    "CONFLICT", "CAUSE_PERSISTS", "NO_CAPTURE", "NOT_RECORDED", "CAPTURE_TOO_LARGE", "SWITCH_PENDING",
                    "TOO_FAST", "BLOCK_TOO_LARGE", "BUSY")
    ]  # fmt: skip
    assert len(codes) == 16
    for code in codes:
        board, _ = replies(
            lambda seq, kind, body, code=code: (seq, 0xFF, messages.pack_refused(messages.Refused(kind, code, 42)))
        )
        with pytest.raises((DeviceError, InterlockOpen)) as caught:
            board.status()
        assert "does not know" not in str(caught.value) or code == messages.UNKNOWN_KIND
        assert caught.value.hint


def test_a_refusal_that_this_program_does_not_know_is_told_by_number():
    board, _ = replies(lambda seq, kind, body: (seq, 0xFF, messages.pack_refused(messages.Refused(kind, 200, 5))))
    with pytest.raises(DeviceError, match="code 200, detail 5"):
        board.status()


# ---- the wire


def test_an_exchange_with_a_board_that_has_gone_ends_long_before_the_host_silent_limit():
    assert ANSWER_S * TRIES < HOST_SILENT_S / 2
    answering = [True]

    def respond(seq, kind, body):
        return (seq, kind | 0x80, hello_body()) if answering[0] else b""

    board, clock = replies(respond)
    board.hello()
    answering[0] = False
    before = clock.now()
    with pytest.raises(LinkTimeout, match=r"no answer in 16 tries within 0\.8 s; nothing came"):
        board.status()
    assert clock.now() - before == pytest.approx(ANSWER_S * TRIES, abs=1e-6)


class Trickle:
    """A link over which an answer comes a piece at a time, the first one after `every_s`."""

    name = "/dev/ttyACM7"

    def __init__(self, clock, bodies, *, piece, every_s):
        self._clock, self._bodies, self._piece, self._every_s = clock, bodies, piece, every_s
        self._rest, self._due_s = b"", 0.0
        self.asked = []

    def write(self, data):
        for seq, kind, _body in Decoder().feed(data):
            self.asked.append(kind)
            if self.asked.count(kind) == 1:
                self._rest += encode(seq, kind | messages.ANSWER, self._bodies[kind])
                self._due_s = self._clock.now() + self._every_s

    def read(self, deadline):
        if not self._rest or self._due_s > deadline:
            self._clock.sleep_until(deadline)
            return b""
        self._clock.sleep_until(self._due_s)
        self._due_s += self._every_s
        data, self._rest = self._rest[: self._piece], self._rest[self._piece :]
        return data

    def close(self):
        pass


def test_bytes_that_are_no_answer_hold_an_exchange_up_no_longer_than_is_said():
    clock, noisy = Ticks(), [False]

    class Babble(Trickle):
        def write(self, data):
            if not noisy[0]:
                super().write(data)

        def read(self, deadline):
            if not noisy[0]:
                return super().read(deadline)
            self._clock.sleep_until(min(deadline, self._clock.now() + 0.01))
            return b"\x55"

    board = RelayBoard(Babble(clock, {messages.HELLO: hello_body()}, piece=4096, every_s=0.01), clock)
    board.hello()
    noisy[0] = True
    before = clock.now()
    with pytest.raises(LinkTimeout, match=r"within 2\.4 s; what came is none"):
        board.status()
    assert clock.now() - before == pytest.approx(TRIES * LONGEST_ANSWER_S, abs=1e-6)
    before = clock.now()
    with pytest.raises(LinkTimeout):
        board.read(frozenset(Channel), 1000)  # its conversions are waited for once, not with every repeat
    assert clock.now() - before == pytest.approx(TRIES * LONGEST_ANSWER_S + 4000 * LONGEST_CONVERSION_S, abs=0.01)


@pytest.mark.parametrize(("piece", "repeated"), [(200, False), (60, True)])  # 1036 bytes: 0.12 s and 0.36 s
def test_an_answer_whose_bytes_keep_coming_is_waited_for_but_not_for_ever(piece, repeated):
    block = messages.pack_block(messages.Block(1, 0, 508, 1, bytes(range(1, 128)) * 8))
    progress = messages.pack_progress(messages.Progress(1, 508, 508, True, messages.NEVER, messages.NEVER))
    clock = Ticks()
    bodies = {messages.HELLO: hello_body(), messages.CAPTURE: progress, messages.BLOCK: block}
    link = Trickle(clock, bodies, piece=piece, every_s=0.02)
    board = RelayBoard(link, clock)
    board.hello()
    board.start_capture(CapturePlan(channels=frozenset({Channel.COIL_CURRENT}), period_us=100, samples=508))
    assert board.fetch(0, 508).shape == (508, 1)
    assert (link.asked.count(messages.BLOCK) > 1) == repeated


def test_a_long_reading_is_given_the_time_that_its_conversions_take():
    clock = Ticks()
    bodies = {messages.HELLO: hello_body(), messages.READ: messages.pack_reading(messages.Reading(1000, (1, 2, 3, 4)))}
    link = Trickle(clock, bodies, piece=4096, every_s=0.04)
    board = RelayBoard(link, clock)
    board.hello()
    link._every_s = 0.4
    board.read(tuple(Channel), 1000)
    assert link.asked.count(messages.READ) == 1


def test_answers_to_other_requests_are_passed_over():
    good = messages.pack_status(messages.Status(1, 0, 3, False, False, 0, 0))
    stale = messages.pack_status(messages.Status(2, messages.PUMP, 3, True, False, 0, 0))

    def confused(seq, kind, body):
        return (
            encode((seq - 1) % 256, kind | 0x80, stale)  # an earlier request's
            + encode(seq, messages.READ | 0x80, stale)  # another kind's
            + encode(seq, kind | 0x80, stale)[:-3] + b"\0"  # damaged
            + encode(seq, kind | 0x80, good)
        )  # fmt: skip

    board, _ = replies(confused)
    assert board.status().outputs == frozenset()


def test_a_whole_answer_that_does_not_fit_is_a_link_error():
    board, _ = replies(lambda seq, kind, body: (seq, kind | 0x80, b"\xff" * 13))
    with pytest.raises(LinkError, match="does not match the request"):
        board.status()


def test_unplugging_in_the_middle_of_an_exchange_is_a_link_error(armed):
    def unplug():
        armed.simulated_bench.board_unplugged = True

    armed.simulated_bench.at(armed.clock.now() + 0.0003, unplug)
    with pytest.raises(LinkError, match="port failed") as caught:
        armed.board.status()
    assert isinstance(caught.value.__cause__, OSError)
    assert "plugged in" in caught.value.hint


def test_the_wire_log_shows_both_directions_in_order(armed):
    armed.board.set_outputs(frozenset({Output.VENT}))
    lines = [line.split() for line in armed.log.getvalue().splitlines()]
    assert [line[1:2] + line[3:4] for line in lines] == [
        [d, k] for k in ("HELLO", "ARM", "SET") for d in (">", "<")
    ]  # fmt: skip
    assert lines[-2][2] == lines[-1][2]
    assert lines[-2][4] == "10"
    assert [float(line[0]) for line in lines] == sorted(float(line[0]) for line in lines)


def test_a_log_that_cannot_be_written_stops_and_does_not_stop_the_bench(rig):
    rig.log.close()
    log = rig.board._wire._log
    rig.board.hello()
    assert "closed file" in log.stopped


# ---- analog


def test_reading_gives_mean_pin_volts_of_each_channel(armed):
    volts = armed.board.read((Channel.SUPPLY, Channel.COIL_CURRENT, Channel.PRESSURE), 100)
    assert set(volts) == {Channel.SUPPLY, Channel.COIL_CURRENT, Channel.PRESSURE}
    assert volts[Channel.SUPPLY] == pytest.approx(13.5 / 6, rel=0.006)
    assert volts[Channel.COIL_CURRENT] == pytest.approx(1.0, rel=0.004)
    assert volts[Channel.PRESSURE] == pytest.approx(0.2 + 100e3 * 25e-6, rel=0.001)


def test_a_reading_of_the_wrong_width_is_not_taken():
    def narrow(seq, kind, body):
        if kind == messages.HELLO:
            return seq, kind | 0x80, hello_body()
        return seq, kind | 0x80, messages.pack_reading(messages.Reading(10, (5,)))

    board, _ = replies(narrow)
    board.hello()
    with pytest.raises(LinkError, match="1 channels"):
        board.read((Channel.SUPPLY, Channel.AMBIENT), 10)


def recorded_volts(rig, first, count, channels):
    raw = np.frombuffer(rig.simulated_bench._pins.capture_block(first, count), dtype="<u2").reshape(-1, channels)
    return raw / 65536 * 3.3


def test_a_capture_comes_back_whole_in_blocks_and_in_order(armed):
    samples = 1300  # three blocks of two channels
    armed.board.start_capture(CapturePlan((Channel.PRESSURE, Channel.COIL_CURRENT), 100, samples))
    armed.wait(0.2)
    assert armed.board.progress().finished
    got = armed.board.fetch(0, samples)
    assert got.shape == (samples, 2)
    np.testing.assert_array_equal(got, recorded_volts(armed, 0, samples, 2))
    # columns by index of the channel: current first, rising by 2 mV a sample
    assert np.polyfit(np.arange(1000), got[:1000, 0], 1)[0] == pytest.approx(2e-3, rel=0.01)
    np.testing.assert_array_equal(armed.board.fetch(700, 10), got[700:710])


def test_fetching_nothing_gives_an_empty_array_of_the_right_width(armed):
    armed.board.start_capture(CapturePlan((Channel.PRESSURE, Channel.SUPPLY), 100, 10))
    assert armed.board.fetch(0, 0).shape == (0, 2)


def test_a_capture_switches_at_its_samples_and_tells_when(armed):
    on, off = frozenset({Output.COIL}), frozenset()
    armed.board.start_capture(CapturePlan((Channel.COIL_CURRENT,), 50, 2000, 100, on, 1200, off))
    started = armed.board.progress()
    assert (started.switched_us, started.released_us, started.finished) == (None, None, False)
    armed.wait(0.12)
    done = armed.board.progress()
    assert (done.recorded, done.samples, done.finished) == (2000, 2000, True)
    assert (done.switched_us, done.released_us) == (5000, 60000)
    assert armed.world.toggles(COIL) == 2


def test_samples_that_are_not_there_yet_are_refused_in_words(armed):
    armed.board.start_capture(CapturePlan((Channel.PRESSURE,), 1000, 500))
    with pytest.raises(DeviceError, match=r"not recorded; the board has \d+"):
        armed.board.fetch(0, 400)


def test_a_capture_too_large_for_the_board_is_refused_in_words(armed):
    with pytest.raises(DeviceError, match="does not fit into the board's memory of 65536 words"):
        armed.board.start_capture(CapturePlan((Channel.PRESSURE, Channel.SUPPLY), 100, 40_000))


def test_a_second_capture_replaces_the_first(armed):
    armed.board.start_capture(CapturePlan((Channel.PRESSURE,), 1000, 50))
    armed.board.start_capture(CapturePlan((Channel.COIL_CURRENT, Channel.SUPPLY), 1000, 20))
    armed.wait(0.05)
    assert armed.board.progress().samples == 20
    assert armed.board.fetch(0, 20).shape == (20, 2)


def test_progress_of_somebody_elses_capture_is_not_taken():
    def other(seq, kind, body):
        if kind == messages.HELLO:
            return seq, kind | 0x80, hello_body()
        return seq, kind | 0x80, messages.pack_progress(messages.Progress(77, 5, 10, False, 0, 0))

    board, _ = replies(other)
    board.hello()
    with pytest.raises(LinkError, match="capture 77"):
        board.start_capture(CapturePlan((Channel.PRESSURE,), 1000, 10))


@pytest.mark.parametrize("place", [(3, 2), (0, 1), (0, 3)])
def test_a_block_from_another_place_or_of_another_length_is_not_taken(place):
    def misplaced(seq, kind, body):
        if kind == messages.HELLO:
            return seq, kind | 0x80, hello_body()
        if kind == messages.BLOCK:
            return seq, kind | 0x80, messages.pack_block(messages.Block(1, *place, 1, bytes(2 * place[1])))
        return seq, kind | 0x80, messages.pack_progress(messages.Progress(1, 10, 10, True, 0, 0))

    board, _ = replies(misplaced)
    board.hello()
    board.start_capture(CapturePlan((Channel.PRESSURE,), 1000, 10))
    with pytest.raises(LinkError, match=f"{place[1]} x 1 samples at {place[0]}"):
        board.fetch(0, 2)
