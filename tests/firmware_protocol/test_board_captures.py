"""Captures: recording, switches on time, blocks, over-current in the samples, what cancels what."""

import struct

import pytest

from firmware_protocol import messages as m
from tests.firmware_protocol.host import OVER_CURRENT_RAW, Host


@pytest.fixture
def host():
    """A host that has said HELLO and ARM, with limits that stay out of the way; the clock stands at 1 s."""
    host = Host()
    host.port.us = 1_000_000
    host.greet(silent_ms=10_000, coil_ms=9_000)
    return host


def test_a_capture_without_a_switch_needs_no_arming():
    host = Host()
    assert host.capture() == m.Progress(1, 1, 100, False, m.NEVER, m.NEVER)
    assert host.status().capturing
    host.port.us = 99_000
    assert host.ask(m.PROGRESS) == m.Progress(1, 100, 100, True, m.NEVER, m.NEVER)
    assert not host.status().capturing


def test_switches_happen_when_due_and_their_instants_are_told(host):
    host.capture(at=10, on=m.COIL | m.VENT, release=60, then=m.VENT)
    assert host.board.next_due_us() == 1_010_000
    host.port.written.clear()
    host.run_until(1_100_000)
    assert host.port.written == [(1_010_000, m.COIL | m.VENT), (1_060_000, m.VENT)]
    assert host.ask(m.PROGRESS) == m.Progress(1, 100, 100, True, 10_000, 60_000)


def test_a_switch_is_never_early_and_a_late_one_tells_when_it_really_was(host):
    host.capture(at=10, on=m.COIL, release=60)
    host.tick_at(1_009_999)
    assert host.port.outputs == 0
    host.tick_at(1_010_345)
    assert host.port.outputs == m.COIL
    host.tick_at(1_061_000)
    progress = host.ask(m.PROGRESS)
    assert (progress.switched_us, progress.released_us) == (10_345, 61_000)


def test_when_the_loop_stood_still_both_switches_are_made_in_order(host):
    host.capture(at=10, on=m.COIL, release=60, then=m.VENT)
    host.port.written.clear()
    host.tick_at(1_090_000)
    assert [outputs for _, outputs in host.port.written] == [m.COIL, 0, m.VENT]
    progress = host.ask(m.PROGRESS)
    assert (progress.switched_us, progress.released_us) == (90_000, 90_000)


def test_a_switch_at_sample_0_is_made_in_the_command_itself(host):
    progress = host.capture(at=0, on=m.COIL)
    assert (progress.switched_us, progress.released_us, host.port.outputs) == (0, m.NEVER, m.COIL)


def test_a_switch_also_happens_when_only_frames_come_and_no_tick(host):
    host.capture(at=10, on=m.COIL)
    host.port.us = 1_012_000
    assert host.status().outputs == m.COIL
    assert host.ask(m.PROGRESS).switched_us == 12_000


@pytest.mark.parametrize("field", ["on", "then"])
def test_a_switch_obeys_the_rules_of_set_when_asked_for(host, field):
    switch = {"at": 10, "on": m.COIL, "release": 60, "then": m.VENT, field: m.COIL | m.METER}
    refused = host.capture(**switch)
    assert (refused.code, refused.detail) == (m.CONFLICT, m.COIL | m.METER)
    host.ask(m.DISARM)
    switch[field] = m.PUMP
    assert host.capture(**switch).code == m.NOT_ARMED
    assert host.port.capture is None


def test_a_switch_to_all_off_needs_no_arming():
    host = Host()
    host.capture(at=5, on=0)
    host.run_until(100_000)
    assert host.ask(m.PROGRESS).switched_us == 5_000


@pytest.mark.parametrize("end", ["guard", "disarm", "set", "silence"])
def test_a_trip_disarm_or_set_cancels_the_switches_and_recording_goes_on(host, end):
    host.arm(silent_ms=100)
    host.capture(samples=4000, at=500, on=m.COIL, release=800)
    if end == "silence":
        host.run_until(1_100_000)
        assert host.board.cause == m.CAUSE_SILENT
    elif end == "guard":
        host.port.inputs = 1
        host.board.tick()
        host.port.inputs = 3
    elif end == "disarm":
        host.ask(m.DISARM)
    else:
        host.set(0)
    host.ask(m.CLEAR)
    host.arm(silent_ms=10_000)  # armed again in time: still nothing may come on by itself
    host.run_until(1_700_000)
    assert host.port.outputs == 0
    progress = host.ask(m.PROGRESS)
    assert (progress.switched_us, progress.released_us) == (m.NEVER, m.NEVER)
    assert progress.recorded > 600
    assert not progress.finished


def test_a_trip_between_switch_and_release_leaves_the_release_unmade(host):
    host.capture(at=10, on=m.COIL, release=60, then=m.VENT)
    host.run_until(1_030_000)
    host.port.inputs = 2
    host.board.tick()
    host.port.inputs = 3
    host.run_until(1_100_000)
    assert host.port.outputs == 0
    progress = host.ask(m.PROGRESS)
    assert (progress.switched_us, progress.released_us, progress.finished) == (10_000, m.NEVER, True)


def test_a_switch_is_not_made_on_a_board_that_is_not_armed_even_if_nobody_cancelled_it(host):
    host.capture(at=10, on=m.COIL, release=60, then=m.VENT)
    host.board.armed = False  # behind the board's back: disarming in any proper way cancels the switch as well
    host.run_until(1_100_000)
    assert host.port.outputs == 0
    assert host.ask(m.PROGRESS).switched_us == m.NEVER


def test_hello_drops_the_capture_and_its_switches(host):
    host.capture(at=10, on=m.COIL)
    host.ask(m.HELLO)
    assert host.port.capture is None
    assert host.board.next_due_us() is None
    assert host.refusal(m.PROGRESS) == (m.NO_CAPTURE, m.NEVER)
    assert host.refusal(m.BLOCK, m.pack_block_request(1, 0, 1)) == (m.NO_CAPTURE, m.NEVER)
    host.run_until(1_100_000)
    assert host.port.outputs == 0


def test_the_coil_time_counts_within_a_capture_too(host):
    host.arm(silent_ms=10_000, coil_ms=30)
    host.capture(at=10, on=m.COIL, release=60)
    host.run_until(1_100_000)
    assert host.board.cause == m.CAUSE_COIL_TIME
    assert host.port.written[-1] == (1_040_000, 0)


def test_blocks_come_by_index_and_may_be_asked_for_again():
    host = Host()
    host.port.sample = lambda channel, index: 1000 * channel + index
    host.capture(7, mask=0b1011, samples=300)
    host.port.us = 299_000
    for first, count in ((0, 169), (169, 131), (0, 169), (299, 1)):
        block = host.ask(m.BLOCK, m.pack_block_request(7, first, count))
        words = struct.unpack(f"<{3 * count}H", block.data)
        expected = [1000 * channel + i for i in range(first, first + count) for channel in (0, 1, 3)]
        assert (block.first, block.count, block.channels, list(words)) == (first, count, 3, expected)


def test_a_block_beyond_what_is_recorded_is_refused(host):
    host.capture()
    host.port.us += 9_000
    assert host.refusal(m.BLOCK, m.pack_block_request(1, 5, 6)) == (m.NOT_RECORDED, 10)
    assert host.ask(m.BLOCK, m.pack_block_request(1, 5, 5)).count == 5
    host.port.us += 1_000_000
    assert host.refusal(m.BLOCK, m.pack_block_request(1, 99, 2)) == (m.NOT_RECORDED, 100)
    assert host.refusal(m.BLOCK, m.pack_block_request(1, m.NEVER, 508)) == (m.NOT_RECORDED, 100)


def test_a_block_that_does_not_fit_into_an_answer_is_refused():
    host = Host(capture_words=10_000)
    host.capture(mask=0b11, samples=2000)
    host.port.us = 2_000_000
    assert host.refusal(m.BLOCK, m.pack_block_request(1, 0, 255)) == (m.BLOCK_TOO_LARGE, 254)
    assert len(host.ask(m.BLOCK, m.pack_block_request(1, 0, 254)).data) == 1016


def test_a_block_of_another_capture_is_refused(host):
    host.capture(3)
    assert host.refusal(m.BLOCK, m.pack_block_request(2, 0, 1)) == (m.NO_CAPTURE, 3)


@pytest.mark.parametrize(("mask", "samples"), [(0b1, 4097), (0b1111, 1025)])
def test_a_capture_larger_than_the_memory_is_refused(host, mask, samples):
    refused = host.capture(mask=mask, samples=samples)
    assert (refused.code, refused.detail) == (m.CAPTURE_TOO_LARGE, 4096)
    assert host.capture(mask=mask, samples=samples - 1).samples == samples - 1


def test_a_capture_of_a_channel_that_is_not_there_is_refused(host):
    assert (host.capture(mask=0x11).code, host.capture(mask=0x11).detail) == (m.OUT_OF_RANGE, 1)


def test_a_rate_that_the_board_cannot_keep_is_refused_and_the_capture_before_goes_on():
    host = Host(least_period_us=50)
    host.capture(1)
    assert host.capture(2, period_us=20).code == m.TOO_FAST
    assert host.ask(m.PROGRESS).capture_id == 1


def test_a_new_capture_replaces_a_running_one_unless_switches_are_to_come(host):
    host.capture(1)
    host.capture(2, at=10, on=m.COIL, release=20)
    assert (host.capture(3).code, host.capture(3).detail) == (m.SWITCH_PENDING, 2)
    host.run_until(1_015_000)
    assert host.capture(3).detail == 1
    host.run_until(1_020_000)
    assert host.capture(3) == m.Progress(3, 1, 100, False, m.NEVER, m.NEVER)


def test_over_current_is_found_in_every_sample_since_the_last_tick(host):
    host.port.sample = lambda channel, index: OVER_CURRENT_RAW if (channel, index) == (0, 40) else 0xFFF0 * channel
    host.capture(mask=0b0011, at=10, on=m.COIL)
    host.tick_at(1_010_000)
    host.tick_at(1_039_999)
    assert host.board.cause == m.CAUSE_NONE
    host.tick_at(1_090_000)
    assert (host.board.cause, host.port.outputs) == (m.CAUSE_OVER_CURRENT, 0)
    # The trace of the trip can still be fetched.
    assert host.ask(m.BLOCK, m.pack_block_request(1, 0, 91)).count == 91


def test_over_current_is_found_in_a_capture_longer_than_one_look(host):
    host = Host(capture_words=60_000)
    host.greet(silent_ms=10_000)
    host.port.sample = lambda channel, index: OVER_CURRENT_RAW if index == 8_999 else 0
    host.capture(period_us=20, samples=10_000, at=0, on=m.COIL)
    host.tick_at(179_979)
    assert host.board.cause == m.CAUSE_NONE
    host.tick_at(179_980)
    assert host.board.cause == m.CAUSE_OVER_CURRENT


def test_samples_from_before_the_coil_was_on_are_not_judged(host):
    host.port.sample = lambda channel, index: 0xFFF0 if index < 10 else 0
    host.capture(at=10, on=m.COIL)
    host.run_until(1_090_000, each_us=1000)
    assert host.board.cause == m.CAUSE_NONE


def test_the_current_is_read_directly_when_the_capture_does_not_hold_it(host):
    host.capture(mask=0b0010, at=10, on=m.COIL)
    host.tick_at(1_010_000)
    host.port.channels[0] = OVER_CURRENT_RAW
    host.tick_at(1_011_000)
    assert host.board.cause == m.CAUSE_OVER_CURRENT


def test_the_current_is_read_directly_again_once_the_capture_is_finished(host):
    host.port.sample = lambda channel, index: 0
    host.capture(at=10, on=m.COIL)
    host.run_until(1_098_000)
    host.port.channels[0] = OVER_CURRENT_RAW
    host.board.tick()
    assert host.board.cause == m.CAUSE_NONE  # samples count while recording
    host.tick_at(1_099_000)
    assert host.board.cause == m.CAUSE_OVER_CURRENT


def test_read_works_during_a_capture_and_makes_its_switches_in_between(host):
    plain_read = host.port.read_channel

    def slow_read(index):
        host.port.us += 100
        return plain_read(index)

    host.port.read_channel = slow_read
    host.capture(at=10, on=m.VENT)
    host.ask(m.READ, m.pack_read(1, 1000))
    assert 10_000 <= host.ask(m.PROGRESS).switched_us <= 12_000
