"""The port on an RP2040-class chip: pins, clock, converter. No rule lives here; board.py has them all.

A capture needs no processor. One PWM slice for each conversion is used as a timer (its pin is not connected). At its
wrap it lets a DMA channel write a start command to the converter; the slices have one period, `SLOT_US` apart. A DMA
channel takes the words of the captured channels from the converter's FIFO into the capture memory and hands over to a
second one, which takes those of the other channels into a few words that always hold the latest, so that every channel
can be read while a capture runs. The starting channels stop by themselves after the last sample.

Captures slower than `SLOWEST_PACED_US` are converted by the main loop (`poll`) instead, late by a turn of it at most.

Addresses and bits stand in registers.py. **Nothing here has run on a chip**, but on an emulated one
(`tests/emulated_chip`).
"""

from firmware_protocol.rp2040 import pins
from firmware_protocol.rp2040.monotonic import Monotonic
from firmware_protocol.rp2040.registers import (
    ADC_CS,
    ADC_FCS,
    ADC_FIFO,
    ALIAS_CLEAR,
    ALIAS_SET,
    BYTE_2,
    BYTE_4,
    CS_ENABLE,
    CS_INPUT_SHIFT,
    CS_START_ONCE,
    DIV_SHIFT,
    DREQ_ADC,
    DREQ_PWM_WRAP_0,
    FCS_CLEAR,
    FCS_DREQ,
    FCS_EMPTY,
    FCS_ENABLE,
    FCS_OVER,
    FCS_THRESHOLD_1,
    PWM_BASE,
    PWM_COUNTER,
    PWM_CSR,
    PWM_DIV,
    PWM_ENABLES,
    PWM_SLICE,
    PWM_TOP,
    TEMPERATURE_INPUT,
    WORD_AT_85_C,
    WORD_AT_MINUS_20_C,
)
from firmware_protocol.running_capture import channels_in

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

__all__ = ["SLOT_US", "SLOWEST_PACED_US", "SYSTEM_HZ", "ChipPort", "left_justified", "pace"]

SYSTEM_HZ = 125_000_000
CYCLES_PER_US = 125
SLOT_US = 4  # from one conversion to the next; a conversion takes 2 us (96 cycles of 48 MHz, from memory)
SLOWEST_PACED_US = 10_000


def left_justified(words: "bytes | memoryview") -> bytes:
    """12-bit words, little-endian, moved to the upper end of their 16 bits, all at once.

    Examples
    --------
    >>> left_justified(bytes((0xBC, 0x0A, 0xFF, 0x0F, 0x01, 0x00))).hex()
    'c0abf0ff1000'
    """
    return (int.from_bytes(words, "little") << 4).to_bytes(len(words), "little")


def pace(period_us: int) -> "tuple[int, int]":
    """Divider and number of counts of a PWM slice that wraps every `period_us`, exactly.

    Examples
    --------
    >>> pace(100), pace(5000)
    ((1, 12500), (25, 25000))
    """
    for divider in (1, 5, 25):
        if period_us * CYCLES_PER_US // divider <= 65536:
            return divider, period_us * CYCLES_PER_US // divider
    raise ValueError(f"period of {period_us} us, at most {SLOWEST_PACED_US} can be paced")


def _store(room: bytearray, at: int, word: int) -> None:
    room[at] = word & 0xFF
    room[at + 1] = word >> 8


class ChipPort:
    """The chip as board.py wants it (typed.py).

    Parameters
    ----------
    machine, rp2 : module
        MicroPython's own.
    ticks_us : callable
        ``time.ticks_us``.
    addressof : callable
        ``uctypes.addressof``.
    free : callable
        ``gc.mem_free``.
    """

    def __init__(
        self,
        machine: "Any",
        rp2: "Any",
        ticks_us: "Callable[[], int]",
        addressof: "Any",
        free: "Callable[[], int]",
    ) -> None:
        self._machine = machine
        self._free = free
        pin = machine.Pin
        self._outputs = [(bit, pin(number, pin.OUT, value=0)) for bit, number in pins.OUTPUTS]
        self._inputs = [(bit, pin(number, pin.IN, pin.PULL_DOWN)) for bit, number in pins.INPUTS]
        self._adcs = [machine.ADC(pin(number)) for number in pins.ANALOG]
        self._mem32 = machine.mem32
        self._dma = rp2.DMA
        self._addressof = addressof
        self._ticks_us = ticks_us
        self._clock = Monotonic(ticks_us)
        self.now_us = self._clock.now_us
        self._driven = 0
        self.capture_words = pins.CAPTURE_WORDS
        self._words = bytearray(2 * pins.CAPTURE_WORDS)
        self._latest_room = bytearray(16)  # four words on a boundary of 8 bytes lie in it, as the DMA's ring wants
        self._latest_at = int(-addressof(self._latest_room) % 8)
        self._commands = bytearray(4 * 8)
        self._used: "list[Any]" = []  # DMA channels of the running capture
        self._taker: "Any" = None
        self._captured: "list[int]" = []
        self._others: "list[int]" = []
        self._before: "list[int]" = []
        self._period_us = 0
        self._samples = 0
        self._slow_start_us = 0
        self._slow_recorded = -1  # -1: the capture is not converted by the loop
        self._recorded = 0

    # Pins

    def write_outputs(self, mask: int) -> int:
        """Drive exactly the outputs in `mask`, those that go off first; give the time at which the last one moved.

        The clock is read beside the pin: everything around it takes half a millisecond on the chip.
        """
        ticks_us = self._ticks_us
        moving = mask ^ self._driven
        before = after = ticks_us()
        for level in (0, 1):
            for bit, pin in self._outputs:
                if bool(mask & bit) != bool(level):
                    continue
                if moving & bit:
                    before = ticks_us()
                    pin.value(level)
                    after = ticks_us()
                else:
                    pin.value(level)
        self._driven = mask
        return self._clock.us_between(before, after)

    def read_inputs(self) -> int:
        """Interlock inputs as bits, 1 = closed: the contact joins the pin to 3.3 V, a broken wire reads as open."""
        inputs = 0
        for bit, pin in self._inputs:
            if pin.value():
                inputs |= bit
        return inputs

    def read_back(self) -> int:
        """Outputs whose pins are high: the pad's own level, not what was written to it."""
        mask = 0
        for bit, pin in self._outputs:
            if pin.value():
                mask |= bit
        return mask

    def reference(self) -> "tuple[int, int, int]":
        """The chip's temperature sensor and what it gives from -20 to 85 degC. Not while a capture is paced."""
        return int(self._machine.ADC(TEMPERATURE_INPUT).read_u16()) & 0xFFF0, WORD_AT_85_C, WORD_AT_MINUS_20_C

    def free_bytes(self) -> int:
        """Memory that is free, as MicroPython counts it."""
        return int(self._free())

    def read_channel(self, index: int) -> int:
        """One conversion; while a paced capture runs, the latest one that it made of this channel."""
        if not self._used:
            return int(self._adcs[index].read_u16()) & 0xFFF0  # the lower four bits repeat the upper
        recorded = self.capture_recorded()
        if not recorded:
            return self._before[index]
        if index in self._captured:
            at = 2 * ((recorded - 1) * len(self._captured) + self._captured.index(index))
            return (self._words[at] | self._words[at + 1] << 8) << 4
        at = self._latest_at + 2 * self._others.index(index)
        return (self._latest_room[at] | self._latest_room[at + 1] << 8) << 4

    # Capture

    def capture_start(self, channel_mask: int, period_us: int, samples: int) -> int:
        """Begin to record, and give the time of sample 0; ValueError if the converter cannot keep the rate."""
        captured = [index for index in range(len(pins.ANALOG)) if channel_mask >> index & 1]
        others = [index for index in range(len(pins.ANALOG)) if index not in captured]
        if len(others) == 3:
            others.append(others[0])  # the ring of the latest words has one, two or four
        if period_us < SLOT_US * (len(captured) + len(others)):
            raise ValueError("too fast")
        if samples * channels_in(channel_mask) > self.capture_words:
            raise ValueError("too large")
        self.capture_stop()
        self._captured, self._others, self._period_us, self._samples = captured, others, period_us, samples
        self._before = [self.read_channel(index) for index in range(len(pins.ANALOG))]
        for i in range(len(others)):
            _store(self._latest_room, self._latest_at + 2 * i, self._before[others[i]] >> 4)
        if period_us > SLOWEST_PACED_US:
            self._slow_start_us = self.now_us()
            self._slow_recorded = 0
            self.poll()
            return self._slow_start_us
        return self._start_paced()

    def capture_recorded(self) -> int:
        """Samples recorded so far."""
        if self._slow_recorded >= 0:
            return self._slow_recorded
        if self._used:
            if self._mem32[ADC_FCS] & FCS_OVER:
                raise RuntimeError("a conversion was lost: the words are out of step")  # the main loop resets the chip
            written = self._taker.write - self._addressof(self._words)
            self._recorded = int(written) // (2 * len(self._captured))
            if self._recorded >= self._samples:
                self._release()
        return self._recorded

    def capture_block(self, first: int, count: int) -> bytes:
        """Recorded samples as little-endian words, lowest channel first."""
        width = 2 * len(self._captured)
        return left_justified(memoryview(self._words)[first * width : (first + count) * width])

    def capture_stop(self) -> None:
        """Stop recording and forget what was recorded. Safe to repeat."""
        self._release()
        self._recorded = 0
        self._slow_recorded = -1

    def poll(self) -> None:
        """Convert what a slow capture has due. The main loop calls this each turn."""
        while 0 <= self._slow_recorded < self._samples:
            if self.now_us() < self._slow_start_us + self._slow_recorded * self._period_us:
                return
            at = 2 * self._slow_recorded * len(self._captured)
            for index in self._captured:
                _store(self._words, at, self.read_channel(index) >> 4)
                at += 2
            self._slow_recorded += 1

    def _start_paced(self) -> int:
        mem32 = self._mem32
        slots = self._captured + self._others
        mem32[ADC_CS] = CS_ENABLE
        while not mem32[ADC_FCS] & FCS_EMPTY:
            _ = mem32[ADC_FIFO]
        mem32[ADC_FCS] = FCS_ENABLE | FCS_DREQ | FCS_CLEAR | FCS_THRESHOLD_1
        taker = self._dma()
        self._taker = taker
        self._used = [taker]
        into_words = {"size": BYTE_2, "inc_read": False, "inc_write": True, "treq_sel": DREQ_ADC}
        words = self._addressof(self._words)
        if self._others:
            rest = self._dma()
            self._used.append(rest)
            ring = {1: 1, 2: 2, 4: 3}[len(self._others)]  # bytes of the ring as a power of two
            # Handed over to each other: the words of one sample here, then those of the others there.
            rest.config(
                read=ADC_FIFO,
                write=self._addressof(self._latest_room) + self._latest_at,
                count=len(self._others),
                ctrl=rest.pack_ctrl(ring_size=ring, ring_sel=True, chain_to=taker.channel, **into_words),
                trigger=False,
            )
            count = len(self._captured)
            control = taker.pack_ctrl(chain_to=rest.channel, **into_words)
        else:
            count = self._samples * len(self._captured)
            control = taker.pack_ctrl(**into_words)
        taker.config(read=ADC_FIFO, write=words, count=count, ctrl=control, trigger=True)
        divider, counts = pace(self._period_us)
        lead = SLOT_US * CYCLES_PER_US // divider
        slices = (1 << len(slots)) - 1
        mem32[PWM_ENABLES + ALIAS_CLEAR] = slices
        for slot in range(len(slots)):
            base = PWM_BASE + PWM_SLICE * slot
            mem32[base + PWM_CSR] = 0
            mem32[base + PWM_DIV] = divider << DIV_SHIFT
            mem32[base + PWM_TOP] = counts - 1
            mem32[base + PWM_COUNTER] = counts - 1 - slot * lead  # the first wraps at once
            self._starter(slot, CS_ENABLE | CS_START_ONCE | slots[slot] << CS_INPUT_SHIFT)
        ticks_us, enables = self._ticks_us, PWM_ENABLES + ALIAS_SET
        before = ticks_us()
        mem32[enables] = slices  # all in the same cycle
        after = ticks_us()
        return self._clock.us_between(before, after)

    def _starter(self, slot: int, command: int) -> None:
        """A DMA channel that starts one conversion at each wrap of one slice, `samples` times."""
        self._commands[4 * slot : 4 * slot + 4] = bytes((command & 0xFF, command >> 8, 0, 0))
        starter = self._dma()
        self._used.append(starter)
        starter.config(
            read=self._addressof(self._commands) + 4 * slot,
            write=ADC_CS,
            count=self._samples,
            ctrl=starter.pack_ctrl(size=BYTE_4, inc_read=False, inc_write=False, treq_sel=DREQ_PWM_WRAP_0 + slot),
            trigger=True,
        )

    def _release(self) -> None:
        """Give timers and DMA channels back; the converter then serves single conversions again."""
        if not self._used:
            return
        self._mem32[PWM_ENABLES + ALIAS_CLEAR] = (1 << len(pins.ANALOG) + 1) - 1
        for channel in self._used:
            # First without a successor, or stopping one would hand over to the other.
            channel.ctrl = channel.pack_ctrl(enable=False, chain_to=channel.channel)
        for channel in self._used:
            channel.active(0)
            channel.close()
        self._used = []
        self._mem32[ADC_FCS] = FCS_CLEAR
