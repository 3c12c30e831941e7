"""The board's rules: arming, silence, interlocks, coil time, over-current, latching, repeats."""

import pytest

from firmware_protocol import messages as m
from firmware_protocol.board import Board
from firmware_protocol.frame import Decoder, encode
from tests.firmware_protocol.bodies import BUILD, CHANNELS, IDENTITY
from tests.firmware_protocol.fake_port import FakePort
from tests.firmware_protocol.host import COIL_MS, OVER_CURRENT_RAW, SILENT_MS, Host
from tests.firmware_protocol.vectors import VECTORS


@pytest.fixture
def host():
    """A host that has said HELLO and ARM."""
    host = Host()
    host.greet()
    return host


def test_the_golden_dialogue_goes_as_written():
    host = Host()
    for step in VECTORS["dialogue"]:
        host.port.us, host.port.inputs = step["at_us"], step["inputs"]
        host.port.channels = [step["word"], 0x4000, 0x4000, 0x4000]
        answer = host.board.receive(bytes.fromhex(step["request"]))
        assert (answer.hex(), host.port.outputs) == (step["answer"], step["outputs"]), step["why"]


def test_power_up_drives_all_outputs_off_and_arms_nothing():
    host = Host()
    assert host.port.outputs == 0
    assert host.status() == m.Status(0, 0, 3, False, False, 0, 0)
    assert host.board.next_due_us() is None


def test_hello_tells_what_the_board_is():
    hello = Host(capture_words=77).ask(m.HELLO)
    assert (hello.major, hello.minor, hello.build, hello.identity) == (m.MAJOR, m.MINOR, BUILD, IDENTITY)
    assert (hello.capture_words, hello.max_body, hello.channels) == (77, 1024, CHANNELS)
    assert (hello.silent_min_ms, hello.silent_max_ms, hello.coil_max_ms) == (100, 10_000, 600_000)


@pytest.mark.parametrize(
    ("identity", "build", "channels"),
    [
        (b"short", 1, CHANNELS),
        (IDENTITY, -1, CHANNELS),
        (IDENTITY, 1, ()),
        (IDENTITY, 1, CHANNELS * 3),
        (IDENTITY, 1, CHANNELS[1:]),
        (IDENTITY, 1, ((0, 17, 3300),)),
    ],
)
def test_a_board_that_cannot_describe_itself_is_not_built(identity, build, channels):
    with pytest.raises(ValueError, match=r"allowed|must carry|channels"):
        Board(FakePort(), identity, build, channels)


def test_arm_needs_hello_first():
    host = Host()
    assert host.refusal(m.ARM, m.pack_arm(500, 1000, 1)) == (m.NO_HELLO, 0)


@pytest.mark.parametrize("inputs", [0, 1, 2])
def test_arm_needs_both_interlocks_closed(inputs):
    host = Host()
    host.ask(m.HELLO)
    host.port.inputs = inputs
    assert host.refusal(m.ARM, m.pack_arm(500, 1000, 1)) == (m.INTERLOCK_OPEN, inputs)


def test_nothing_can_be_switched_on_unless_armed_but_all_off_is_always_allowed():
    host = Host()
    host.ask(m.HELLO)
    assert host.refusal(m.SET, m.pack_set(m.PUMP)) == (m.NOT_ARMED, 0)
    assert host.set(0).outputs == 0


def test_set_drives_exactly_the_wanted_outputs(host):
    assert host.set(m.PUMP | m.VENT).outputs == m.PUMP | m.VENT == host.port.outputs
    assert host.set(m.VENT | m.COIL).outputs == m.VENT | m.COIL == host.port.outputs
    assert host.set(0).outputs == 0 == host.port.outputs


@pytest.mark.parametrize("others", range(0, 64, 4))
def test_coil_and_meter_are_never_on_together(host, others):
    wanted = others | m.COIL | m.METER
    assert host.refusal(m.SET, m.pack_set(wanted)) == (m.CONFLICT, wanted)
    assert host.port.outputs == 0


def test_an_output_goes_off_before_another_goes_on(host):
    host.set(m.METER | m.VENT)
    host.port.written.clear()
    host.set(m.COIL | m.VENT)
    assert [outputs for _, outputs in host.port.written] == [m.VENT, m.COIL | m.VENT]


def test_disarm_switches_off_and_needs_a_new_arm(host):
    host.set(m.COIL | m.PUMP)
    status = host.ask(m.DISARM)
    assert (status.outputs, status.armed, host.port.outputs) == (0, False, 0)
    assert host.refusal(m.SET, m.pack_set(m.PUMP)) == (m.NOT_ARMED, 0)
    host.arm()
    assert host.set(m.PUMP).outputs == m.PUMP


def test_hello_switches_everything_off_and_disarms(host):
    host.set(m.COIL | m.PUMP)
    host.ask(m.HELLO)
    assert host.port.outputs == 0
    assert host.status() == m.Status(0, 0, 3, False, False, 0, 0)


def test_silence_switches_off_exactly_at_its_limit(host):
    host.set(m.PUMP)
    assert host.board.next_due_us() == SILENT_MS * 1000
    host.tick_at(SILENT_MS * 1000 - 1)
    assert host.port.outputs == m.PUMP
    host.tick_at(SILENT_MS * 1000)
    assert (host.port.outputs, host.board.armed, host.board.cause) == (0, False, m.CAUSE_SILENT)


def test_a_frame_that_comes_too_late_does_not_undo_the_silence(host):
    host.set(m.PUMP)
    host.port.us = SILENT_MS * 1000
    status = host.status()
    assert (status.outputs, status.cause, status.cause_ms) == (0, m.CAUSE_SILENT, SILENT_MS)


@pytest.mark.parametrize(
    "frame",
    [encode(9, m.STATUS, b""), encode(9, 99, b""), encode(9, m.SET, b"\xff"), encode(9, m.SET, b"\x04")],
    ids=["status", "unknown", "out of range", "new set"],
)
def test_any_undamaged_frame_counts_as_a_sign_of_life(host, frame):
    host.set(m.PUMP)
    host.port.us = 400_000
    host.board.receive(frame)
    host.tick_at(899_999)
    assert host.port.outputs == m.PUMP
    host.tick_at(900_000)
    assert host.port.outputs == 0


def test_a_repeated_frame_counts_as_a_sign_of_life_too(host):
    wire = encode(77, m.SET, bytes((m.PUMP,)))
    for us in range(0, 3_000_000, 400_000):
        host.port.us = us
        host.board.receive(wire)
    assert host.port.outputs == m.PUMP


def test_damaged_bytes_are_no_sign_of_life(host):
    host.set(m.PUMP)
    wire = bytearray(encode(9, m.STATUS, b""))
    wire[4] ^= 1
    for us in range(50_000, 500_001, 50_000):
        host.port.us = us
        assert host.board.receive(bytes(wire)) == b""
    assert host.port.outputs == 0
    assert host.board.rejected == 10


@pytest.mark.parametrize(
    ("inputs", "cause"), [(2, m.CAUSE_ESTOP), (1, m.CAUSE_GUARD), (0, m.CAUSE_ESTOP)], ids=["estop", "guard", "both"]
)
def test_an_open_interlock_trips_and_cannot_be_cleared_while_open(host, inputs, cause):
    host.set(m.COIL | m.PUMP)
    host.port.us, host.port.inputs = 3_000, inputs
    host.board.tick()
    assert host.port.outputs == 0
    assert host.status() == m.Status(3, 0, inputs, False, False, cause, 3)
    assert host.refusal(m.CLEAR) == (m.CAUSE_PERSISTS, cause)
    assert host.refusal(m.ARM, m.pack_arm(500, 1000, 1)) == (m.TRIPPED, cause)
    host.port.inputs = 3
    host.board.tick()
    assert host.refusal(m.ARM, m.pack_arm(500, 1000, 1)) == (m.TRIPPED, cause)
    assert host.refusal(m.SET, m.pack_set(m.PUMP)) == (m.TRIPPED, cause)
    assert host.ask(m.CLEAR) == m.Status(3, 0, 3, False, False, m.CAUSE_NONE, 0)
    host.arm()


def test_clearing_one_interlock_does_not_wait_for_the_other(host):
    host.port.inputs = 2
    host.board.tick()
    host.port.inputs = 1
    assert host.ask(m.CLEAR).cause == m.CAUSE_NONE
    assert host.refusal(m.ARM, m.pack_arm(500, 1000, 1)) == (m.INTERLOCK_OPEN, 1)


def test_a_guard_opened_while_not_armed_latches_nothing():
    host = Host()
    host.ask(m.HELLO)
    host.port.inputs = 1
    host.board.tick()
    host.port.inputs = 3
    assert host.status().cause == m.CAUSE_NONE
    host.arm()


def test_a_latched_cause_stays_through_hello_and_is_cleared_once(host):
    host.tick_at(500_000)
    host.ask(m.HELLO)
    assert host.status().cause == m.CAUSE_SILENT
    assert host.ask(m.CLEAR).cause == m.CAUSE_NONE
    assert host.ask(m.CLEAR).cause == m.CAUSE_NONE


def test_the_first_cause_is_kept(host):
    host.port.inputs = 1
    host.board.tick()
    host.port.inputs = 0
    host.tick_at(600_000)
    assert host.status().cause == m.CAUSE_GUARD


def test_the_coil_goes_off_after_its_time_however_often_it_is_asked_for(host):
    host.port.us = 100_000
    host.set(m.COIL)
    for us in range(200_000, 2_100_000, 100_000):
        host.port.us = us
        assert host.set(m.COIL | m.PUMP if us % 200_000 else m.COIL).outputs & m.COIL
        host.arm()
    assert host.board.next_due_us() == 100_000 + COIL_MS * 1000
    host.tick_at(100_000 + COIL_MS * 1000)
    assert (host.port.outputs, host.board.cause) == (0, m.CAUSE_COIL_TIME)
    assert host.ask(m.CLEAR).cause == m.CAUSE_NONE


def test_a_break_starts_the_coil_time_anew(host):
    for us in range(0, 6_000_000, 400_000):
        host.port.us = us
        host.set(m.PUMP if us % 1_200_000 == 0 else m.COIL)
    assert host.board.cause == m.CAUSE_NONE


def test_arm_again_replaces_the_limits_of_a_running_coil(host):
    host.set(m.COIL)
    host.arm(silent_ms=10_000, coil_ms=300)
    assert host.board.next_due_us() == 300_000
    host.tick_at(300_000)
    assert host.board.cause == m.CAUSE_COIL_TIME


def test_over_current_trips_at_the_limit_and_not_below(host):
    host.set(m.COIL)
    host.port.channels[0] = OVER_CURRENT_RAW - 1
    host.board.tick()
    assert host.port.outputs == m.COIL
    host.port.channels[0] = OVER_CURRENT_RAW
    host.board.tick()
    assert (host.port.outputs, host.board.cause) == (0, m.CAUSE_OVER_CURRENT)
    assert host.refusal(m.CLEAR) == (m.CAUSE_PERSISTS, m.CAUSE_OVER_CURRENT)
    host.port.channels[0] = 0
    assert host.ask(m.CLEAR).cause == m.CAUSE_NONE


def test_current_without_the_coil_on_does_not_trip(host):
    host.set(m.PUMP)
    host.port.channels[0] = 0xFFFF
    host.board.tick()
    assert host.port.outputs == m.PUMP


def test_a_repeated_request_is_answered_from_memory_without_acting(host):
    wire = encode(60, m.SET, bytes((m.PUMP,)))
    first = host.board.receive(wire)
    host.port.written.clear()
    host.port.us = 5_000
    assert host.board.receive(wire) == first
    assert host.port.written == []


def test_a_repeated_set_does_not_switch_on_again_after_a_trip(host):
    wire = encode(60, m.SET, bytes((m.PUMP,)))
    first = host.board.receive(wire)
    host.port.inputs = 1
    host.board.tick()
    host.port.inputs = 3
    assert host.board.receive(wire) == first
    assert host.port.outputs == 0


def test_a_repeated_capture_does_not_start_again(host):
    wanted = m.pack_capture(m.Capture(4, 1, 1000, 50, m.NEVER, 0, m.NEVER, 0))
    wire = encode(60, m.CAPTURE, wanted)
    host.seq = 60
    first = host.board.receive(wire)
    host.port.us = 20_000
    assert host.board.receive(wire) == first
    assert host.ask(m.PROGRESS).recorded == 21


def test_a_refusal_is_remembered_until_another_number_is_used():
    host = Host()
    host.ask(m.HELLO)
    host.port.inputs = 1
    wire = encode(60, m.ARM, m.pack_arm(500, 1000, 1))
    refused = host.board.receive(wire)
    host.port.inputs = 3
    assert host.board.receive(wire) == refused
    assert not host.board.armed
    host.board.receive(encode(61, m.ARM, m.pack_arm(500, 1000, 1)))
    assert host.board.armed


def test_the_same_number_with_another_body_is_a_new_request(host):
    host.board.receive(encode(60, m.SET, bytes((m.PUMP,))))
    host.board.receive(encode(60, m.SET, bytes((m.VENT,))))
    assert host.port.outputs == m.VENT


def test_a_request_that_a_newer_one_has_overtaken_is_dropped_and_is_no_sign_of_life(host):
    host.port.us = 100_000
    host.board.receive(encode(60, m.SET, bytes((m.PUMP,))))
    host.board.receive(encode(61, m.SET, bytes((m.VENT,))))
    host.port.us = 400_000
    for seq in (60, 1, (61 - m.MOST_BEHIND) % 256):
        assert host.board.receive(encode(seq, m.SET, bytes((m.PUMP,)))) == b""
    assert host.port.outputs == m.VENT
    host.tick_at(100_000 + SILENT_MS * 1000)
    assert (host.port.outputs, host.board.cause) == (0, m.CAUSE_SILENT)


def test_a_request_far_behind_is_a_new_one_and_so_is_the_first_after_the_highest_number(host):
    host.board.receive(encode(61, m.SET, bytes((m.VENT,))))
    host.board.receive(encode((61 - m.MOST_BEHIND - 1) % 256, m.SET, bytes((m.PUMP,))))
    assert host.port.outputs == m.PUMP
    for seq, outputs in ((255, m.VENT), (0, m.PUMP), (255, m.PUMP)):
        host.board.receive(encode(seq, m.SET, bytes((outputs if seq else m.PUMP,))))
        assert host.port.outputs == outputs


def test_hello_is_acted_on_each_time_and_empties_the_memory(host):
    hello, pump = encode(60, m.HELLO, b""), encode(62, m.SET, bytes((m.PUMP,)))
    for _ in range(2):
        host.board.receive(hello)
        host.seq = 60
        host.arm()
        host.board.receive(pump)
        assert host.port.outputs == m.PUMP


@pytest.mark.parametrize("kind", sorted(m.REQUEST_BYTES))
def test_a_wrong_length_is_refused_with_the_length_needed(host, kind):
    needed = m.REQUEST_BYTES[kind]
    assert host.refusal(kind, bytes(needed + 1)) == (m.BAD_LENGTH, needed)
    if needed:
        assert host.refusal(kind, bytes(needed - 1)) == (m.BAD_LENGTH, needed)


@pytest.mark.parametrize("kind", [0, 13, 0x7F, 0x80, 0x81, 0x88, 0xFF])
def test_an_unknown_message_is_refused(host, kind):
    ((_, answer, body),) = host.send(encode(99, kind, b"x"))
    assert (answer, m.unpack_refused(body)) == (m.REFUSED, m.Refused(kind, m.UNKNOWN_KIND, 0))


REQUEST_TABLES = {
    "arm": m.ARM, "set": m.SET, "read": m.READ, "capture": m.CAPTURE, "block_request": m.BLOCK
}  # fmt: skip  # one line reads better
BAD = [vector for vector in VECTORS["bad_bodies"] if vector["message"] in REQUEST_TABLES and vector["offset"] >= 0]


@pytest.mark.parametrize("vector", BAD, ids=[f"{vector['message']} {vector['why']}" for vector in BAD])
def test_a_field_out_of_bounds_is_refused_with_its_offset(host, vector):
    host.set(m.PUMP)
    body = bytes.fromhex(vector["body"])
    assert host.refusal(REQUEST_TABLES[vector["message"]], body) == (m.OUT_OF_RANGE, vector["offset"])
    assert host.port.outputs == m.PUMP


def test_read_gives_sums_in_index_order(host):
    reading = host.ask(m.READ, m.pack_read(0b1101, 100))
    assert reading == m.Reading(100, (0x0100 * 100, 0x8000 * 100, 0x6000 * 100))


def test_a_channel_that_is_not_there_is_refused(host):
    assert host.refusal(m.READ, m.pack_read(0x10, 1)) == (m.OUT_OF_RANGE, 0)


def test_a_long_read_does_not_hold_up_the_rules(host):
    host.set(m.COIL)
    plain_read = host.port.read_channel

    def slow_read(index):
        host.port.us += 1000  # a converter so slow that the coil time runs out within the request
        return plain_read(index)

    host.port.read_channel = slow_read
    host.arm(silent_ms=10_000, coil_ms=300)
    host.ask(m.READ, m.pack_read(0b10, 1000))
    assert (host.board.cause, host.port.outputs) == (m.CAUSE_COIL_TIME, 0)
    tripped_us = next(us for us, outputs in host.port.written if us > 0 and outputs == 0)
    assert 300_000 <= tripped_us <= 340_000


def test_requests_in_one_go_are_answered_in_order(host):
    wire = encode(50, m.SET, bytes((m.PUMP,))) + encode(51, m.STATUS, b"") + encode(52, m.SET, b"\0")
    answers = host.send(wire)
    assert [seq for seq, _, _ in answers] == [50, 51, 52]
    assert m.unpack_status(answers[1][2]).outputs == m.PUMP
    assert host.port.outputs == 0


def test_a_request_cut_into_single_bytes_is_answered_once(host):
    wire = encode(50, m.SET, bytes((m.PUMP,)))
    answers = b"".join(host.board.receive(wire[i : i + 1]) for i in range(len(wire)))
    assert len(Decoder().feed(answers)) == 1
    assert host.port.outputs == m.PUMP


def test_the_clock_in_the_answer_starts_again_after_two_to_the_32_ms():
    host = Host()
    host.port.us = (2**32 + 5) * 1000
    assert host.status().board_ms == 5
