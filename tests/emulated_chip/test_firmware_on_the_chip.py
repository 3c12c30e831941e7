"""The firmware as shipped, inside MicroPython, on an emulated chip that others wrote from the data sheet (fetch.sh).

Bounds on times are what PROTOCOL.md and BOARD.md promise, in the chip's own time: they do not depend on this computer.
"""

import hashlib
import itertools
import struct

import pytest

from benchrig.drivers.board_types import CapturePlan, Channel
from benchrig.drivers.relay_board import RelayBoard
from firmware_protocol import messages as m
from firmware_protocol.rp2040 import firmware_files
from tests.emulated_chip.chip import MS, Chip
from tests.emulated_chip.chip_client import ChipClient
from tests.emulated_chip.chip_link import ChipClock, PlainLink
from tests.emulated_chip.flash import firmware_source

pytestmark = pytest.mark.slow


def test_the_driver_fetches_a_capture_without_repeating_itself(client):
    chip = client.chip
    board = RelayBoard(PlainLink(chip), ChipClock(chip))
    board.hello()
    board.start_capture(
        CapturePlan(channels=frozenset({Channel.COIL_CURRENT, Channel.PRESSURE}), period_us=100, samples=600)
    )
    chip.run_for(61 * MS)
    samples = board.fetch(0, 600)
    assert samples.shape == (600, 2)
    assert board.troubles == 0


def test_three_long_readings_in_one_write_neither_reset_the_board_nor_end_its_outputs(client):
    chip = client.chip
    client.arm(silent_ms=5000)
    client.ask(m.SET, m.pack_set(m.PUMP))
    chip.set_words(100, 200, 300, 400)
    resets = len(chip.resets)
    chip.hear(b"".join(client.frame(m.READ, m.pack_read(15, 1000)) for _ in range(3)))
    answers = client.answers(3, 4000.0)
    assert len(chip.resets) == resets
    assert [answer.sums for answer in answers] == 3 * [tuple(1000 * 16 * word for word in (100, 200, 300, 400))]
    assert client.ask(m.STATUS).outputs == m.PUMP


def test_an_interlock_is_obeyed_within_a_long_reading(client):
    chip = client.chip
    client.arm(silent_ms=5000)
    client.ask(m.SET, m.pack_set(m.PUMP))
    chip.hear(client.frame(m.READ, m.pack_read(15, 1000)))
    chip.run_for(100 * MS)
    opened_ns = chip.now_ns
    chip.input("estop", closed=False)
    client.answers(1, 2000.0)
    off_ns, outputs = chip.changes[-1]
    assert outputs == 0
    assert 0 < off_ns - opened_ns < 20 * MS
    chip.input("estop", closed=True)


def test_outputs_never_come_on_during_a_start_and_ctrl_c_does_not_stop_it(flash):
    with Chip(flash) as chip:
        for _ in range(20):
            chip.run_for(100 * MS)
            chip.hear(b"\x03")
        hello = ChipClient(chip).greet()
        assert hello.identity == b"R7452D2A"  # the emulated flash's number is e6614103e7452d2a
        assert chip.changes == []


def test_over_current_is_off_before_the_next_sample_of_a_slow_capture(client):
    chip = client.chip
    client.arm(over_current_raw=0x8000)
    client.ask(m.SET, m.pack_set(m.COIL))
    chip.set_words(0x900, 0, 0, 0)
    began_ns = chip.now_ns
    chip.run_for(20 * MS)
    off_ns, outputs = chip.changes[-1]
    assert outputs == 0
    assert off_ns - began_ns < 10 * MS
    assert client.ask(m.STATUS).cause == m.CAUSE_OVER_CURRENT


def test_two_channels_at_10_khz_lose_no_sample_and_keep_their_instants(client):
    chip = client.chip
    chip.count_conversions()
    samples = 2000
    client.ask(m.CAPTURE, m.pack_capture(m.Capture(7, 0b0011, 100, samples, m.NEVER, 0, m.NEVER, 0)))
    words = []
    while len(words) < 2 * samples:
        recorded = client.ask(m.PROGRESS).recorded
        first = len(words) // 2
        if recorded > first:
            block = client.ask(m.BLOCK, m.pack_block_request(7, first, min(recorded - first, 254)))
            words += struct.unpack(f"<{2 * block.count}H", block.data)
    for channel in (0, 1):
        counted = [word >> 4 for word in words[channel::2]]
        assert counted == list(range(counted[0], counted[0] + samples))
    by_channel = {}
    for at_ns, channel in chip.conversions():
        by_channel.setdefault(channel, []).append(at_ns)
    for channel in (0, 1):
        instants = by_channel[channel][-samples:]
        steps = [b - a for a, b in itertools.pairwise(instants)]
        assert (min(steps), max(steps)) == (100_000, 100_000)
    assert by_channel[1][-1] - by_channel[0][-1] == 4_000


@pytest.mark.parametrize(("mask", "period_us"), [(0b0001, 100), (0b0101, 100), (0b0010, 5000)])
def test_a_capture_tells_its_switches_as_the_pin_moved(client, mask, period_us):
    chip = client.chip
    client.arm(silent_ms=5000)
    chip.conversions()
    known, samples = len(chip.changes), 60_000 // period_us
    client.ask(m.CAPTURE, m.pack_capture(m.Capture(7, mask, period_us, samples, 2, m.COIL, samples // 2, 0)))
    while (progress := client.ask(m.PROGRESS)).recorded < samples:
        chip.run_for(5 * MS)
    first = next(channel for channel in range(4) if mask >> channel & 1)
    began_ns = [at_ns for at_ns, channel in chip.conversions() if channel == first][-samples:][0]
    (on_ns, on), (off_ns, off) = chip.changes[known:]
    assert (on, off) == (m.COIL, 0)
    # A click is told from the current to 20 us; what the board adds to it must be little beside that.
    assert progress.switched_us == pytest.approx((on_ns - began_ns) / 1000, abs=10)
    assert progress.released_us == pytest.approx((off_ns - began_ns) / 1000, abs=10)


def test_the_board_knows_itself_and_finds_its_pins_and_sensor_sound(client):
    about = client.ask(m.ABOUT)
    assert (about.reset_reason, about.unique.hex()) == (m.RESET_POWER, "e6614103e7452d2a")
    assert about.firmware == firmware_files.digest(hashlib.sha256, lambda path: firmware_source(path).read_bytes())
    assert "MicroPython" in about.text
    assert about.free_bytes > 20_000
    client.chip.set_words(0, 0, 0, 0, 900)  # 0.725 V at the sensor: 16 degC
    client.arm()
    client.ask(m.SET, m.pack_set(m.PUMP | m.VENT))
    test = client.ask(m.SELF_TEST)
    assert (test.done, test.failed, test.driven, test.read_back) == (3, 0, 0x14, 0x14)
    client.chip.set_words(0, 0, 0, 0, 0)
    assert client.ask(m.SELF_TEST).failed == m.TEST_CONVERTER
