"""The driver's way to a chip without a world, and the chip's time as the driver's clock."""

import math


def after(t):
    """The first nanosecond that is not before `t` in seconds, whatever the rounding."""
    return math.ceil(t * 1e9) + 1


class ChipClock:
    """The chip's time as the driver's clock."""

    def __init__(self, chip):
        self._chip = chip

    def now(self):
        return self._chip.now_ns * 1e-9

    def sleep_until(self, t):
        self._chip.run_until(after(t))


class PlainLink:
    """The driver's way to a chip without a world."""

    name = "the emulated chip"

    def __init__(self, chip):
        self._chip = chip

    def write(self, data):
        self._chip.hear(data)

    def read(self, deadline):
        if not self._chip.has_said:
            self._chip.run_until(after(deadline), until=lambda: self._chip.has_said)
        return self._chip.said()

    def close(self):
        pass
