"""Links to the simulated instruments inside this program, on a clock whose seconds pass as fast as they are worked out.

A request takes a moment to arrive and so does its answer, as over USB and a network. Not modelled: odd chunks on
the wire; loss, damage, repeats and delay of whole frames are the simulated bench's `wire`.
"""

from __future__ import annotations

import errno
from collections import deque
from functools import partial

from simulators.instruments.meter import MeterMode
from simulators.simulated_bench import SimulatedBench

__all__ = ["MemoryByteLink", "MemoryTextLink", "SimClock"]

WIRE_S = 0.0005
"""Each way, as USB takes about half a frame on average (from memory)."""
BYTE_S = 1e-6
OPEN_S = 0.005


class SimClock:
    """Seconds of the simulated world. Waiting moves the world.

    Parameters
    ----------
    simulated_bench : SimulatedBench
        What moves when somebody waits.
    """

    def __init__(self, simulated_bench: SimulatedBench) -> None:
        self._simulated_bench = simulated_bench

    def now(self) -> float:
        """Seconds since the world began."""
        return self._simulated_bench.now_s

    def sleep_until(self, t: float) -> None:
        """Let the world move on to `t`; nothing if it is there already."""
        if t > self._simulated_bench.now_s:
            self._simulated_bench.advance_to(t)


class MemoryByteLink:
    """A pipe of bytes to the simulated board.

    Parameters
    ----------
    simulated_bench : SimulatedBench
        Whose board.

    Raises
    ------
    OSError
        From `write` and `read`, while the board is unplugged or after `close`.
    """

    def __init__(self, simulated_bench: SimulatedBench) -> None:
        self.name = "the simulated bench"
        self._simulated_bench = simulated_bench
        self._arriving: list[tuple[float, bytes]] = []
        self._last_s = 0.0
        self._open = True

    def write(self, data: bytes) -> None:
        """Send all of `data`; it arrives a moment later, and the answer a moment after that."""
        self._check()
        # What was sent before arrives before: a short message does not overtake a long one.
        arrives_s = max(self._simulated_bench.now_s + WIRE_S, self._last_s) + len(data) * BYTE_S
        self._last_s = arrives_s

        for late_s, piece in self._simulated_bench.wire.passed(data):
            self._simulated_bench.at(arrives_s + late_s, partial(self._deliver, piece))

    def _is_news(self, waiting: int) -> bool:
        return len(self._arriving) != waiting or self._simulated_bench.board_unplugged

    def _deliver(self, data: bytes) -> None:
        if self._simulated_bench.board_unplugged:
            return
        answer = self._simulated_bench.board_exchange(data)
        now_s = self._simulated_bench.now_s
        for late_s, piece in self._simulated_bench.wire.passed(answer) if answer else ():
            self._arriving.append((now_s + late_s + WIRE_S + len(piece) * BYTE_S, piece))
        self._arriving.sort(key=lambda arrival: arrival[0])

    def read(self, deadline: float) -> bytes:
        """Return what has arrived, waiting for at least one byte; ``b""`` once the deadline has passed."""
        self._check()
        simulated_bench = self._simulated_bench
        while True:
            # Something sent later may yet arrive before what is on its way now.
            waiting = len(self._arriving)
            stop_s = min(deadline, self._arriving[0][0]) if waiting else deadline
            simulated_bench.advance_to(stop_s, until=partial(self._is_news, waiting))
            self._check()
            if self._arriving and self._arriving[0][0] <= simulated_bench.now_s:
                return self._arriving.pop(0)[1]
            if simulated_bench.now_s >= deadline:
                return b""

    def close(self) -> None:
        """Give the port back. Safe to repeat."""
        self._open = False

    def _check(self) -> None:
        if not self._open:
            raise OSError(errno.EBADF, "the link to the simulated board is closed")
        if self._simulated_bench.board_unplugged:
            raise OSError(errno.EIO, "the simulated board is unplugged")


class MemoryTextLink:
    """A pipe of lines to the simulated multimeter.

    Parameters
    ----------
    simulated_bench : SimulatedBench
        Whose meter.

    Raises
    ------
    OSError
        From `write`, `read` and `reopen`, while the meter is unplugged; from the first two also after `close`.
    """

    def __init__(self, simulated_bench: SimulatedBench) -> None:
        self.name = "the simulated bench"
        self._simulated_bench = simulated_bench
        self._session = 1
        self._arriving: deque[tuple[float, str]] = deque()
        self._last_s = 0.0
        self._open = True

    def write(self, line: str) -> None:
        """Send one line; it arrives a moment later."""
        self._check()
        # What was sent before arrives before: a short message does not overtake a long one.
        arrives_s = max(self._simulated_bench.now_s + WIRE_S, self._last_s) + len(line) * BYTE_S
        self._last_s = arrives_s
        session = self._session

        def deliver() -> None:
            if session == self._session:
                self._simulated_bench.meter.handle(line, self._simulated_bench.now_s)

        self._simulated_bench.at(arrives_s, deliver)

    def read(self, deadline: float) -> str | None:
        """Return the next whole line without its terminator, or None once the deadline has passed."""
        self._check()
        meter = self._simulated_bench.meter
        if not self._arriving and meter.next_answer_s() is None:
            self._simulated_bench.advance_to(
                deadline, until=lambda: meter.next_answer_s() is not None or self._unplugged
            )
            self._check()
        ready_s = meter.next_answer_s()
        while ready_s is not None:
            self._arriving += [(ready_s + WIRE_S + len(line) * BYTE_S, line) for line in meter.take(ready_s)]
            ready_s = meter.next_answer_s()
        if not self._arriving or self._arriving[0][0] > deadline:
            self._simulated_bench.advance_to(deadline, until=lambda: self._unplugged)
            self._check()
            return None
        self._simulated_bench.advance_to(self._arriving[0][0])
        return self._arriving.popleft()[1]

    def reopen(self) -> None:
        """Close and open again, dropping whatever was on its way."""
        self.close()
        self._simulated_bench.advance_to(self._simulated_bench.now_s + OPEN_S)
        if self._unplugged:
            raise OSError(errno.ECONNREFUSED, "the simulated multimeter is unplugged")
        self._open = True

    def close(self) -> None:
        """Give the session back. Safe to repeat."""
        if self._open:
            self._open = False
            self._session += 1
            self._arriving.clear()
            self._simulated_bench.meter.disconnected()

    @property
    def _unplugged(self) -> bool:
        return self._simulated_bench.meter_mode is MeterMode.UNPLUGGED

    def _check(self) -> None:
        if not self._open:
            raise OSError(errno.EBADF, "the link to the simulated multimeter is closed")
        if self._unplugged:
            raise OSError(errno.ECONNRESET, "the simulated multimeter is unplugged")
