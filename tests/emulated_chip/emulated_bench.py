"""The simulated world on the emulated chip's pins, both on the chip's clock.

The chip goes ahead; whenever it converts or drives a pin, the world follows to that instant first. So every conversion
sees the world of its own instant, and every relay moves when the pin did.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from simulators.simulated_bench import SimulatedBench
from tests.emulated_chip.chip import Chip
from tests.emulated_chip.chip_client import ChipClient


class _BoardOnChip:
    """Stands where SimulatedBench has the board's logic; the chip has it here."""

    cause = 0

    def __init__(self, chip: Chip, pins: Any) -> None:
        self._chip = chip
        self._pins = pins
        self._contacts = (True, True)

    @property
    def outputs(self) -> int:
        return self._chip.outputs

    def next_due_us(self) -> None:
        return None

    def tick(self) -> None:
        contacts = (self._pins.estop_ok, self._pins.guard_closed)
        if contacts != self._contacts:
            self._contacts = contacts
            self._chip.input("estop", closed=contacts[0])
            self._chip.input("guard", closed=contacts[1])


class EmulatedBench(SimulatedBench):
    """A simulated bench whose board is the emulated chip. The chip is started before the world begins."""

    def __init__(self, world: Any, *, chip: Chip, **given: Any) -> None:
        super().__init__(world, **given)
        self.chip = chip
        ChipClient(chip).greet()
        self._zero_ns = chip.now_ns
        self.board = _BoardOnChip(chip, self._pins)  # type: ignore[assignment]
        chip.on_conversion = self._convert
        chip.on_outputs = self._drive

    def _follow(self, at_ns: int) -> None:
        at_s = (at_ns - self._zero_ns) * 1e-9
        if at_s > self.world.t_s:
            self.world.advance_to(at_s)

    def _convert(self, channel: int, at_ns: int) -> int:
        self._follow(at_ns)
        return min((self._pins.read_channel(channel) + 8) >> 4, 0xFFF)  # the pressure's 16 bits become 12

    def _drive(self, mask: int, at_ns: int) -> None:
        self._follow(at_ns)
        self._pins.write_outputs(mask)

    def advance_to(self, t_s: float, *, until: Callable[[], bool] = lambda: False) -> None:
        while True:
            stop_s = min(t_s, self.next_stop_s())
            self.chip.run_until(self._zero_ns + math.ceil(stop_s * 1e9) + 1, until=until)
            self._follow(self.chip.now_ns)
            self._act()
            if self.now_s >= t_s or until():
                return

    def next_stop_s(self) -> float:
        meter_s = self.meter.next_due()
        stops_s = [float("inf")] if meter_s is None else [meter_s]
        return min([*stops_s, *[action[0] for action in self._actions[:1]]])


class ChipLink:
    """The driver's way to the board on the chip, a ByteLink."""

    name = "the emulated chip"

    def __init__(self, bench: EmulatedBench) -> None:
        self._bench = bench

    def write(self, data: bytes) -> None:
        self._bench.chip.hear(data)

    def read(self, deadline: float) -> bytes:
        chip = self._bench.chip
        if not chip.has_said:
            self._bench.advance_to(deadline, until=lambda: chip.has_said)
        return chip.said()

    def close(self) -> None:
        pass
