"""The chip under the port, for tests: pins, timers, DMA and converter at the level of their registers.

Written apart from port.py, with the register numbers typed again, and in the board's subset of the language: it runs
on MicroPython too. Time is in cycles of 125 MHz and moves in `advance_us` only.
"""

import hashlib

PERIOD = 1 << 30  # time.ticks_us
ADC, PWM = 0x4004C000, 0x40050000


class Reset(Exception):
    """The chip starts again."""


class FakeChip:
    def __init__(self, start_ticks=0):
        self.cycles = 0
        self.start_ticks = start_ticks
        self.levels = {}  # pin -> 0 or 1 as driven
        self.log = []  # (us, pin, level), in order
        self.outside = {10: 1, 11: 1, 22: 1}  # levels put on input pins
        self.analog = lambda channel, us: 0x100 + channel  # 12-bit word
        self.regs = {ADC + 8: 1 << 8}
        self.fifo = []
        self.buffers = []  # (address, object)
        self.channels = []
        self.slices = {}  # slice -> cycle of its next wrap
        self.fed_us = None
        self.resets = 0
        self.hz = None
        self.keyboard = None
        self.incoming = b""
        self.sent = b""
        self.host_listens = True
        self.host_takes = 4096  # bytes of one write
        self.turn_us = 0
        self.machine = Machine(self)
        self.rp2 = Rp2(self)
        self.time = Time(self)
        self.micropython = MicroPythonModule(self)
        self.uctypes = Uctypes(self)
        self.select = Select(self)
        self.sys = Sys(self)
        self.gc = Gc()
        self.hashlib = hashlib

    def us(self):
        return self.cycles // 125

    def outputs(self):
        mask = 0
        for bit in range(6):
            mask |= self.levels.get(2 + bit, 0) << bit
        return mask

    def advance_us(self, us):
        self.run_to(self.cycles + us * 125)

    def run_to(self, end):
        while self.slices:
            first = min(self.slices.values())
            if first > end:
                break
            self.cycles = first
            for number in sorted(self.slices):
                if self.slices[number] == first:
                    self.slices[number] += self.slice_cycles(number)
                    for dma in list(self.channels):
                        if dma.busy and dma.enabled and dma.treq == 24 + number:
                            dma.transfer()
        self.cycles = end

    def slice_cycles(self, number):
        base = PWM + 0x14 * number
        return (self.regs[base + 0x10] + 1) * (self.regs[base + 4] >> 4)

    def store(self, address, value, size):
        if address == ADC:
            self.regs[ADC] = value
            if value & 4:
                self.convert(value >> 12 & 7)
            return
        for base, room in self.buffers:
            if base <= address and address + size <= base + len(room):
                for i in range(size):
                    room[address - base + i] = value >> (8 * i) & 0xFF
                return
        raise AssertionError(f"DMA writes to {address:x}")

    def load(self, address, size):
        if address == ADC + 0xC:
            return self.fifo.pop(0)
        for base, room in self.buffers:
            if base <= address and address + size <= base + len(room):
                return sum([room[address - base + i] << (8 * i) for i in range(size)])
        raise AssertionError(f"DMA reads from {address:x}")

    def convert(self, channel):
        assert self.regs[ADC] & 1, "converter is off"
        fcs = self.regs[ADC + 8]
        if fcs & 1:
            self.fifo.append(self.analog(channel, self.us()))
            if len(self.fifo) > 4:
                self.fifo.pop()
                self.regs[ADC + 8] |= 1 << 11
        served = True
        while self.fifo and served and fcs & 8:
            served = False
            for dma in list(self.channels):
                if dma.busy and dma.enabled and dma.treq == 36:
                    dma.transfer()
                    served = True
                    break


class Mem32:
    def __init__(self, chip):
        self.chip = chip

    def __getitem__(self, address):
        chip = self.chip
        if address == ADC + 8:
            return chip.regs[address] & ~0x100 | (0 if chip.fifo else 0x100)
        if address == ADC + 0xC:
            return chip.fifo.pop(0)
        return chip.regs.get(address, 0)

    def __setitem__(self, address, value):
        chip = self.chip
        if address == ADC + 8:
            held = chip.regs[address] & 0xC00 & ~value  # written with a one, they go
            chip.regs[address] = value & ~0xC00 | held
        elif address == PWM + 0xA0 + 0x3000:
            for number in range(8):
                if value >> number & 1:
                    chip.slices.pop(number, None)
        elif address == PWM + 0xA0 + 0x2000:
            for number in range(8):
                if value >> number & 1 and number not in chip.slices:
                    base = PWM + 0x14 * number
                    left = chip.regs[base + 0x10] + 1 - chip.regs[base + 8]
                    assert 0 < left <= 65536
                    chip.slices[number] = chip.cycles + left * (chip.regs[base + 4] >> 4)
        elif address == ADC:
            chip.store(ADC, value, 4)
        else:
            assert PWM <= address < PWM + 0xA0, f"write to {address:x}"
            chip.regs[address] = value


class Pin:
    OUT, IN, PULL_UP, PULL_DOWN = 1, 0, 1, 2
    chip = None

    def __init__(self, number, mode=None, pull=None, value=None):
        self.number, self.mode, self.pull = number, mode, pull
        if mode == Pin.OUT:
            self.value(value)

    def value(self, level=None):
        chip = Pin.chip
        if level is None and self.mode == Pin.OUT:
            return chip.levels[self.number]
        if level is None:
            if self.number in (10, 11) and not chip.outside[self.number]:
                return int(self.pull != Pin.PULL_DOWN)  # an open contact: the pull decides
            return chip.outside[self.number]
        assert self.mode == Pin.OUT
        chip.levels[self.number] = level
        chip.log.append((chip.us(), self.number, level))
        return None


class FakeAdc:
    def __init__(self, pin):
        self.channel = pin if isinstance(pin, int) else pin.number - 26
        self.chip = Pin.chip
        self.chip.regs[ADC] = 1

    def read_u16(self):
        assert not self.chip.slices, "a single conversion while a capture is paced"
        word = self.chip.analog(self.channel, self.chip.us())
        return word << 4 | word >> 8


class Machine:
    def __init__(self, chip):
        Pin.chip = chip
        self.chip = chip
        self.Pin, self.ADC, self.mem32 = Pin, FakeAdc, Mem32(chip)

    def freq(self, hz):
        self.chip.hz = hz

    def unique_id(self):
        return bytes((0xE6, 0x61, 0x41, 0x03, 0xE7, 0x45, 0x2D, 0x2A))

    def reset(self):
        self.chip.resets += 1
        raise Reset

    def WDT(self, timeout):  # noqa: N802  # the name on the board
        self.chip.watchdog_ms = timeout
        self.chip.fed_us = self.chip.us()
        return Watchdog(self.chip)


class Watchdog:
    def __init__(self, chip):
        self.chip = chip

    def feed(self):
        self.chip.fed_us = self.chip.us()


class Dma:
    chip = None

    def __init__(self):
        taken = [dma.channel for dma in Dma.chip.channels]
        free = [number for number in range(12) if number not in taken]
        assert free, "no DMA channel left"
        self.channel = free[0]
        self.busy = False
        self.enabled = False
        Dma.chip.channels.append(self)

    def pack_ctrl(self, **fields):
        made = {"enable": True, "size": 2, "inc_read": True, "inc_write": True, "treq_sel": 63}
        made["ring_size"], made["ring_sel"], made["chain_to"] = 0, False, self.channel
        for name in fields:
            assert name in made, name
            made[name] = fields[name]
        return made

    def config(self, read, write, count, ctrl, trigger):
        Dma.chip.advance_us(200)  # interpreted code takes its time
        self.read, self.write, self.reload, self.ctrl, self.count = read, write, count, ctrl, 0
        if trigger:
            self.start()

    @property
    def ctrl(self):
        return self._ctrl

    @ctrl.setter
    def ctrl(self, made):
        self._ctrl, self.enabled, self.treq = made, made["enable"], made["treq_sel"]

    def start(self):
        self.count, self.busy = self.reload, True

    def transfer(self):
        size = 1 << self._ctrl["size"]
        Dma.chip.store(self.write, Dma.chip.load(self.read, size), size)
        if self._ctrl["inc_write"]:
            at, ring = self.write + size, self._ctrl["ring_size"]
            if ring and self._ctrl["ring_sel"]:
                at = self.write >> ring << ring | at & ((1 << ring) - 1)
            self.write = at
        self.count -= 1
        if not self.count:
            self.busy = False
            follower = self._ctrl["chain_to"]
            for dma in Dma.chip.channels:
                if dma.channel == follower != self.channel:
                    dma.start()

    def active(self, value):
        assert value == 0
        was, self.busy = self.busy, False
        if was and self._ctrl["chain_to"] != self.channel:
            raise AssertionError("stopping this channel starts another")

    def close(self):
        assert not self.busy
        Dma.chip.channels.remove(self)


class Rp2:
    def __init__(self, chip):
        Dma.chip = chip
        self.DMA = Dma


class Time:
    def __init__(self, chip):
        self.chip = chip

    def ticks_us(self):
        return (self.chip.us() + self.chip.start_ticks) % PERIOD


class MicroPythonModule:
    def __init__(self, chip):
        self.chip = chip

    def kbd_intr(self, character):
        self.chip.keyboard = character


class Uctypes:
    def __init__(self, chip):
        self.chip = chip

    def addressof(self, room):
        for base, known in self.chip.buffers:
            if known is room:
                return base
        base = 0x20000004 + 0x20000 * len(self.chip.buffers)  # four bytes beside a boundary of eight, on purpose
        self.chip.buffers.append((base, room))
        return base


class Select:
    POLLIN, POLLOUT = 1, 4

    def __init__(self, chip):
        self.chip = chip

    def poll(self):
        return Poll(self.chip)


class Poll:
    def __init__(self, chip):
        self.chip = chip

    def register(self, stream, flag):
        self.flag = flag

    def poll(self, wait_ms):
        assert wait_ms == 0
        ready = self.chip.incoming if self.flag == 1 else self.chip.host_listens
        return [1] if ready else []


class Sys:
    def __init__(self, chip):
        self.stdin = self.stdout = Stream(chip)
        self.version = "3.4.0; MicroPython on a fake chip"


class Gc:
    def mem_free(self):
        return 98_304


class Stream:
    def __init__(self, chip):
        self.chip = chip
        self.buffer = self

    def read(self, count):
        assert count <= len(self.chip.incoming), "a read that waits"
        data, self.chip.incoming = self.chip.incoming[:count], self.chip.incoming[count:]
        return data

    def write(self, data):
        assert self.chip.host_listens, "a write that waits"
        taken = bytes(data[: self.chip.host_takes])
        self.chip.sent += taken
        return len(taken)
