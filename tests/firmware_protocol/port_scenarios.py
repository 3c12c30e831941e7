"""What the port must do, as scenarios on the fake chip; in the board's subset, run on CPython and on MicroPython.

Each function is one test. They drive the real main.py, port.py, usb.py and board.py.
"""

import struct

from firmware_protocol import knowledge
from firmware_protocol import messages as m
from firmware_protocol.frame import Decoder, encode
from firmware_protocol.rp2040 import boot, main, pins
from firmware_protocol.rp2040.monotonic import Monotonic
from firmware_protocol.rp2040.port import left_justified
from tests.firmware_protocol.fake_chip import PERIOD, FakeChip, Reset

TURN_US = 200


class Bench:
    """A chip with the board started on it, and a host that sends one request and takes the answer."""

    def __init__(self, start_ticks=0):
        self.chip = FakeChip(start_ticks)
        self.parts = main.start(self.chip)
        self.decoder = Decoder()
        self.seq = 0

    def turns(self, us):
        end = self.chip.us() + us
        while self.chip.us() < end:
            main.turn(*self.parts)
            self.chip.advance_us(TURN_US)

    def send(self, kind, body=b""):
        self.seq = (self.seq + 1) % 256
        self.chip.incoming += encode(self.seq, kind, body)

    def ask(self, kind, body=b""):
        self.send(kind, body)
        for _ in range(200):
            main.turn(*self.parts)
            self.chip.advance_us(TURN_US)
            frames = self.decoder.feed(self.chip.sent)
            self.chip.sent = b""
            if frames:
                seq, answered, answer = frames[0]
                same(seq, self.seq, "sequence number")
                if answered == m.REFUSED:
                    return m.unpack_refused(answer)
                return UNPACK[kind](answer)
        raise AssertionError(f"no answer to {kind}")

    def arm(self, silent_ms=1000, coil_ms=5000, over_current_raw=0x8000):
        self.ask(m.HELLO)
        status = self.ask(m.ARM, m.pack_arm(silent_ms, coil_ms, over_current_raw))
        same(status.armed, True, "armed")

    def capture(self, mask, period_us, samples, switch=(m.NEVER, 0), release=(m.NEVER, 0), number=1):
        body = m.pack_capture(m.Capture(number, mask, period_us, samples, switch[0], switch[1], release[0], release[1]))
        return self.ask(m.CAPTURE, body)

    def block(self, first, count, number=1):
        block = self.ask(m.BLOCK, m.pack_block_request(number, first, count))
        words = struct.unpack(f"<{block.count * block.channels}H", block.data)
        return [words[i : i + block.channels] for i in range(0, len(words), block.channels)]


UNPACK = {m.HELLO: m.unpack_hello, m.READ: m.unpack_reading, m.CAPTURE: m.unpack_progress}
UNPACK[m.ABOUT], UNPACK[m.SELF_TEST] = knowledge.unpack_about, knowledge.unpack_self_test
UNPACK[m.PROGRESS], UNPACK[m.BLOCK] = m.unpack_progress, m.unpack_block
for _kind in (m.STATUS, m.ARM, m.DISARM, m.SET, m.CLEAR):
    UNPACK[_kind] = m.unpack_status


def same(got, wanted, why):
    if got != wanted:
        raise AssertionError(f"{why}: {got!r} is not {wanted!r}")


def outputs_are_driven_low_before_anything_else():
    chip = FakeChip()
    boot.outputs_off(chip.machine)
    same([(pin, level) for _, pin, level in chip.log], [(pin, 0) for _, pin in pins.OUTPUTS], "boot.py")
    main.start(chip)
    same(chip.outputs(), 0, "outputs after the start")
    same([level for _, _, level in chip.log if level], [], "levels driven up to here")


def the_service_strap_leaves_the_board_at_its_prompt():
    chip = FakeChip()
    chip.outside[22] = 0
    same(main.start(chip), None, "parts")
    same((chip.fed_us, chip.keyboard), (None, None), "watchdog and keyboard")
    same(chip.outputs(), 0, "outputs")


def ctrl_c_is_an_ordinary_byte():
    bench = Bench()
    same(bench.chip.keyboard, -1, "interrupt character")
    bench.chip.incoming = b"\x03\x03\r\n\x03\x00"
    hello = bench.ask(m.HELLO)
    same((hello.identity, hello.build, hello.capture_words), (b"R7452D2A", 3, 26624), "HELLO")
    same(hello.channels, pins.CHANNELS, "channels")


def each_output_has_its_pin():
    bench = Bench()
    bench.arm()
    for bit in (m.COIL, m.METER, m.PUMP, m.ISOLATION, m.VENT, m.REFERENCE):
        same(bench.ask(m.SET, m.pack_set(bit)).outputs, bit, "answer")
        same(bench.chip.outputs(), bit, "pins")
    bench.ask(m.DISARM)
    same(bench.chip.outputs(), 0, "pins after DISARM")


def coil_and_meter_are_never_on_together():
    bench = Bench()
    bench.arm()
    for bit in (m.COIL, m.METER, m.COIL, m.METER):
        bench.ask(m.SET, m.pack_set(bit))
    same(bench.ask(m.SET, m.pack_set(m.COIL | m.METER)).code, m.CONFLICT, "refusal")
    levels = {}
    for _, pin, level in bench.chip.log:
        levels[pin] = level
        if levels.get(2) and levels.get(3):
            raise AssertionError("both on")


def an_open_interlock_switches_off_within_one_turn():
    for pin, cause in ((10, m.CAUSE_ESTOP), (11, m.CAUSE_GUARD)):
        bench = Bench()
        bench.arm()
        bench.ask(m.SET, m.pack_set(m.PUMP | m.VENT))
        bench.chip.outside[pin] = 0
        main.turn(*bench.parts)
        same(bench.chip.outputs(), 0, "pins")
        same(bench.ask(m.STATUS).cause, cause, "cause")


def a_silent_host_switches_off_at_the_limit():
    bench = Bench()
    bench.arm(silent_ms=500)
    bench.ask(m.SET, m.pack_set(m.COIL))
    heard = bench.chip.us()
    bench.turns(499_000 - TURN_US)
    same(bench.chip.outputs(), m.COIL, "just before")
    bench.turns(2000)
    same(bench.chip.outputs(), 0, "after")
    off = [us for us, pin, level in bench.chip.log if pin == 2][-1]
    assert off - heard <= 500_000 + 2 * TURN_US, off - heard
    same(bench.ask(m.STATUS).cause, m.CAUSE_SILENT, "cause")


def over_current_switches_off():
    bench = Bench()
    bench.arm(over_current_raw=0x8000)
    bench.ask(m.SET, m.pack_set(m.COIL))
    bench.chip.analog = lambda channel, us: 0x800 if channel == 0 else 0
    main.turn(*bench.parts)
    same(bench.chip.outputs(), 0, "pins")


def over_current_shows_while_another_channel_is_recorded():
    bench = Bench()
    bench.arm(over_current_raw=0x8000)
    bench.ask(m.SET, m.pack_set(m.COIL))
    bench.capture(0b0010, 5000, 400)
    bench.turns(20_000)
    same(bench.chip.outputs(), m.COIL, "before")
    bench.chip.analog = lambda channel, us: 0x800 if channel == 0 else 0
    bench.turns(5000 + 2 * TURN_US)
    same(bench.chip.outputs(), 0, "pins one period later")
    same(bench.ask(m.STATUS).cause, m.CAUSE_OVER_CURRENT, "cause")


def a_capture_holds_each_sample_at_its_instant():
    bench = Bench()
    bench.ask(m.HELLO)
    for mask, period_us, samples in (
        (0b0001, 100, 300),
        (0b0101, 100, 300),
        (0b0011, 500, 60),
        (0b1101, 137, 100),
        (0b1111, 100, 100),
        (0b0010, 5000, 12),
        (0b1000, 2501, 20),
        (0b0110, 20, 500),
    ):
        indices = [i for i in range(4) if mask >> i & 1]
        seen = []

        def analog(channel, us, seen=seen):
            seen.append((channel, us))
            return us // 4 % 1024 * 4 + channel

        bench.chip.analog = analog
        same(bench.capture(mask, period_us, samples).samples, samples, "answer")
        bench.turns(period_us * samples + 1000)
        progress = bench.ask(m.PROGRESS)
        same((progress.recorded, progress.finished), (samples, True), f"mask {mask} period {period_us}")
        # All channels are sampled once before the start by single conversions; then the timers.
        first = {}
        for channel, us in seen[4:]:
            first.setdefault(channel, us)
        start = min(first.values())
        rows = bench.block(0, min(samples, 100))
        for i in range(len(rows)):
            for k in range(len(indices)):
                word = rows[i][k]
                same(word & 15, 0, "left-justified")
                same(word >> 4 & 3, indices[k], f"channel in mask {mask}")
                at = start + i * period_us + 4 * k
                same(word >> 6, at // 4 % 1024, f"sample {i} of mask {mask} period {period_us}")
        same(bench.chip.slices, {}, "timers given back")
        same(bench.chip.channels, [], "DMA channels given back")


def a_switch_lies_at_its_sample():
    bench = Bench()
    bench.arm()
    chip = bench.chip
    chip.analog = lambda channel, us: 0x400 * (chip.outputs() & 1)
    bench.capture(0b0101, 100, 2400, (200, m.COIL), (1400, 0))
    bench.turns(30_000)
    same(chip.outputs(), m.COIL, "on")
    bench.ask(m.STATUS)
    bench.turns(220_000)
    progress = bench.ask(m.PROGRESS)
    assert 20_000 <= progress.switched_us <= 20_000 + 2 * TURN_US, progress.switched_us
    assert 140_000 <= progress.released_us <= 140_000 + 2 * TURN_US, progress.released_us
    rows = bench.block(190, 30)
    on = next(190 + i for i in range(30) if rows[i][0] == 0x4000)
    assert 0 <= on * 100 - progress.switched_us <= 150, (on, progress.switched_us)
    same(chip.outputs(), 0, "released")


def recording_goes_on_while_blocks_are_pulled_and_while_the_loop_hangs():
    bench = Bench()
    bench.ask(m.HELLO)
    bench.chip.analog = lambda channel, us: us // 100 % 4096
    bench.capture(0b0001, 100, 3000)
    rows = []
    while len(rows) < 1000:
        recorded = bench.ask(m.PROGRESS).recorded
        if recorded > len(rows):
            rows += bench.block(len(rows), min(recorded - len(rows), 508))
    bench.chip.advance_us(150_000)  # no turn of the loop in all that time
    while len(rows) < 3000:
        recorded = bench.ask(m.PROGRESS).recorded
        if recorded > len(rows):
            rows += bench.block(len(rows), min(recorded - len(rows), 508))
    steps = [(rows[i + 1][0] - rows[i][0] >> 4) % 4096 for i in range(2999)]
    same([step for step in steps if step != 1], [], "steps")


def a_slow_capture_is_converted_by_the_loop():
    bench = Bench()
    bench.ask(m.HELLO)
    bench.chip.analog = lambda channel, us: us // 1000 % 1024 * 4 + channel
    bench.capture(0b1010, 100_000, 8)
    start = bench.chip.us()
    bench.turns(900_000)
    rows = bench.block(0, 8)
    for i in range(8):
        same([word >> 4 & 3 for word in rows[i]], [1, 3], "channels")
        late_ms = ((rows[i][0] >> 6) - start // 1000 - 100 * i) % 1024
        assert late_ms <= 1 or late_ms >= 1022, (i, late_ms)  # ask() itself takes a turn or two


def a_rate_that_cannot_be_kept_is_refused_and_the_old_capture_stays():
    bench = Bench()
    bench.ask(m.HELLO)
    bench.capture(0b0001, 100, 50)
    same(bench.capture(0b1111, 10, 50, number=2).code, m.TOO_FAST, "refusal")
    bench.turns(10_000)
    same(len(bench.block(0, 50)), 50, "old capture")


def every_channel_can_be_read_while_a_capture_runs():
    bench = Bench()
    bench.ask(m.HELLO)
    bench.chip.analog = lambda channel, us: 0x123 + 0x100 * channel
    for mask in range(1, 16):
        bench.capture(mask, 1000, 500, number=mask)
        reading = bench.ask(m.READ, m.pack_read(15, 20))
        same(reading.sums, tuple([20 * (0x1230 + 0x1000 * i) for i in range(4)]), f"mask {mask}")
        same(bench.ask(m.STATUS).capturing, True, "still recording")
        bench.turns(5000)
        same(bench.block(0, 5, mask)[4][0] & 15, 0, "block")


def a_lost_conversion_resets_the_chip():
    bench = Bench()
    bench.arm()
    bench.ask(m.SET, m.pack_set(m.COIL))
    bench.capture(0b0001, 100, 3000)
    bench.chip.regs[0x4004C008] |= 1 << 11
    bench.send(m.PROGRESS)
    expect_reset(bench)


def expect_reset(bench):
    """The loop as main.run turns it."""
    saved = main.start
    main.start = lambda modules: bench.parts
    try:
        main.run(bench.chip, 5)
    except Reset:
        pass
    finally:
        main.start = saved
    same((bench.chip.resets, bench.chip.outputs()), (1, 0), "resets and outputs")


def a_fault_in_the_start_switches_off_and_leaves_the_board_at_its_prompt():
    chip = FakeChip()

    def broken(timeout):
        for pin in range(2, 8):  # whatever had been on
            chip.levels[pin] = 1
        raise MemoryError

    chip.machine.WDT = broken
    try:
        main.run(chip, 5)
    except MemoryError:
        pass
    else:
        raise AssertionError("the fault is not told")
    same((chip.resets, chip.outputs()), (0, 0), "resets and outputs")


def a_fault_in_the_rules_switches_off_and_does_not_feed_the_watchdog():
    bench = Bench()
    bench.arm()
    bench.ask(m.SET, m.pack_set(m.PUMP | m.VENT))
    fed = bench.chip.fed_us
    bench.chip.advance_us(10)

    def broken():
        raise MemoryError

    bench.parts[0].tick = broken
    expect_reset(bench)
    same(bench.chip.fed_us, fed, "last feed")


def the_watchdog_is_fed_only_after_the_rules():
    bench = Bench()
    bench.arm()
    same(bench.chip.watchdog_ms, 1000, "limit")
    order = []
    board, port = bench.parts[0], bench.parts[1]
    port.read_inputs = lambda: order.append("rules") or m.ALL_INPUTS
    board.after_rules = lambda: order.append("feed")
    main.turn(*bench.parts)
    same(order, 2 * ["rules", "feed"], "order")


def a_long_reading_feeds_the_watchdog():
    bench = Bench()
    bench.ask(m.HELLO)
    fed = []
    bench.parts[0].after_rules = lambda: fed.append(1)
    bench.send(m.READ, m.pack_read(15, 1000))
    main.turn(*bench.parts)
    same(len(fed) > 1000 // 20, True, f"fed {len(fed)} times")


def several_requests_in_one_write_are_one_turn_each():
    bench = Bench()
    for kind in (m.HELLO, m.STATUS, m.STATUS):
        bench.send(kind)
    for answers in (1, 2, 3):
        main.turn(*bench.parts)
        same(bench.chip.sent.count(b"\0"), answers, "answers so far")


def what_the_host_did_not_take_is_sent_again():
    bench = Bench()
    bench.chip.host_takes = 5
    hello = bench.ask(m.HELLO)
    same(hello.identity, b"R7452D2A", "identity, five bytes at a time")


def a_block_takes_no_more_than_five_turns():
    bench = Bench()
    bench.ask(m.HELLO)
    bench.capture(0b0011, 100, 300)
    bench.turns(40_000)
    bench.send(m.BLOCK, m.pack_block_request(1, 0, 254))
    for _ in range(5):
        main.turn(*bench.parts)
    same(bench.chip.sent[-1:], b"\0", "the end of the block's frame")


def the_board_tells_why_it_started_and_what_it_runs_on():
    for register, reason in ((0, m.RESET_POWER), (1, m.RESET_WATCHDOG), (2, m.RESET_PROGRAM)):
        chip = FakeChip()
        chip.regs[0x40058008] = register
        same(main.reset_reason(chip.machine), reason, f"reset reason of {register}")
    bench = Bench()
    about = bench.ask(m.ABOUT)
    same((about.unique.hex(), about.free_bytes), ("e6614103e7452d2a", 98_304), "ABOUT")
    same(about.text, "3.4.0; MicroPython on a fake chip", "text")
    same(len(about.firmware), 8, "digest")


def a_self_test_reads_the_pins_and_the_sensor_and_switches_nothing():
    bench = Bench()
    bench.arm()
    bench.ask(m.SET, m.pack_set(m.PUMP | m.VENT))
    for word, failed in ((0x2EF, m.TEST_CONVERTER), (0x2F0, 0), (0x3D0, 0), (0x3D1, m.TEST_CONVERTER)):
        bench.chip.analog = lambda channel, us, word=word: word if channel == 4 else 0
        test = bench.ask(m.SELF_TEST)
        same((test.failed, test.done), (failed, 3), f"word {word}")
        same((test.driven, test.read_back), (0x14, 0x14), "outputs")
    bench.chip.levels[4] = 0  # something holds the pump's pin low
    test = bench.ask(m.SELF_TEST)
    same((test.failed & m.TEST_OUTPUTS, test.read_back), (m.TEST_OUTPUTS, 0x10), "a pin held low")
    bench.capture(1, 1000, 500)
    same(bench.ask(m.SELF_TEST).code, m.BUSY, "while a capture runs")


def a_host_that_does_not_listen_goes_silent():
    bench = Bench()
    bench.arm(silent_ms=300)
    bench.ask(m.SET, m.pack_set(m.COIL))
    bench.chip.host_listens = False
    for _ in range(8):
        bench.send(m.STATUS)
        bench.turns(100_000)
    same(bench.chip.outputs(), 0, "outputs")
    same(len(bench.parts[2]._kept) < 8 * 40, True, "kept bytes are bounded")


def the_count_of_microseconds_does_not_wrap():
    for start in (0, PERIOD - 300_000):
        bench = Bench(start)
        bench.arm(silent_ms=500)
        bench.ask(m.SET, m.pack_set(m.COIL))
        bench.turns(450_000)
        same(bench.chip.outputs(), m.COIL, f"started at {start}")
        bench.turns(60_000)
        same(bench.chip.outputs(), 0, f"started at {start}")
    ticks = [0]
    clock = Monotonic(lambda: ticks[0] % PERIOD)
    for step in (PERIOD - 1, 1, PERIOD // 2, PERIOD - 1, 7):
        ticks[0] += step
        same(clock.now_us(), ticks[0], "extended")
    ticks[0] += PERIOD - ticks[0] % PERIOD + 30
    same(clock.us_between(PERIOD - 10, 20), ticks[0] - 25, "between two counts, one before the wrap")


def words_are_shifted_all_at_once():
    words = [0, 1, 0xFFF, 0x800, 0x7FF] * 100
    data = struct.pack("<500H", *words)
    same(struct.unpack("<500H", left_justified(data)), tuple([word << 4 for word in words]), "words")
    same(left_justified(b"\0" * 4096), b"\0" * 4096, "zeros")


SCENARIOS = (
    a_fault_in_the_start_switches_off_and_leaves_the_board_at_its_prompt,
    outputs_are_driven_low_before_anything_else,
    the_service_strap_leaves_the_board_at_its_prompt,
    ctrl_c_is_an_ordinary_byte,
    each_output_has_its_pin,
    coil_and_meter_are_never_on_together,
    an_open_interlock_switches_off_within_one_turn,
    a_silent_host_switches_off_at_the_limit,
    over_current_switches_off,
    over_current_shows_while_another_channel_is_recorded,
    a_capture_holds_each_sample_at_its_instant,
    a_switch_lies_at_its_sample,
    recording_goes_on_while_blocks_are_pulled_and_while_the_loop_hangs,
    a_slow_capture_is_converted_by_the_loop,
    a_rate_that_cannot_be_kept_is_refused_and_the_old_capture_stays,
    every_channel_can_be_read_while_a_capture_runs,
    a_lost_conversion_resets_the_chip,
    a_fault_in_the_rules_switches_off_and_does_not_feed_the_watchdog,
    the_watchdog_is_fed_only_after_the_rules,
    a_long_reading_feeds_the_watchdog,
    several_requests_in_one_write_are_one_turn_each,
    what_the_host_did_not_take_is_sent_again,
    a_block_takes_no_more_than_five_turns,
    the_board_tells_why_it_started_and_what_it_runs_on,
    a_self_test_reads_the_pins_and_the_sensor_and_switches_nothing,
    a_host_that_does_not_listen_goes_silent,
    the_count_of_microseconds_does_not_wrap,
    words_are_shifted_all_at_once,
)
