"""Whole runs with the board inside the real MicroPython interpreter; the driver speaks to it over a pseudo-terminal.

The world is simulated at the pins, on the virtual clock: bytes pass through the terminal, time does not.
"""

import os
import pty
import tty

import pytest

from benchrig.clock import RealClock
from benchrig.drivers.serial_link import open_serial
from simulators.links.in_process import MemoryByteLink
from tests.benchmarks.whole_run import whole_run
from tests.firmware_protocol.micropython_board import MicroPythonBoard, micropython


class PtyLink(MemoryByteLink):
    """The driver's own serial link on a pseudo-terminal, with the virtual clock's delays."""

    def __init__(self, simulated_bench):
        super().__init__(simulated_bench)
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self._serial = open_serial(os.ttyname(self._slave), RealClock())
        self._exchange = simulated_bench.board_exchange
        simulated_bench.board_exchange = self._at_the_board
        self.bytes = 0

    def write(self, data):
        self._serial.write(data)
        super().write(data)

    def _at_the_board(self, data):
        answer = self._exchange(_exactly(len(data), lambda left: os.read(self._master, left)))
        if answer:
            os.write(self._master, answer)
        return answer

    def read(self, deadline):
        expected = super().read(deadline)
        data = _exactly(len(expected), lambda left: self._serial.read(RealClock().now() + 5.0))
        assert len(data) == len(expected)
        self.bytes += len(data)
        return data

    def close(self):
        self._serial.close()
        os.close(self._master)
        os.close(self._slave)
        super().close()


def _exactly(count, read):
    data = b""
    while len(data) < count:
        more = read(count - len(data))
        assert more, "the terminal lost bytes"
        data += more
    return data


@pytest.mark.slow
@pytest.mark.parametrize("condition", ["good", "stuck-closed", "seat-leak"])
def test_a_whole_run_on_micropython_gives_the_verdict_that_it_gives_on_cpython(monkeypatch, condition):
    folder, node = micropython()
    expected = whole_run("alder-24", condition, 1)
    boards, links = [], []

    def board(*args):
        boards.append(MicroPythonBoard(*args, folder=folder, node=node))
        return boards[0]

    def link(opened):
        links.append(PtyLink(opened.simulated_bench))
        return links[0]

    monkeypatch.setattr("simulators.simulated_bench.Board", board)
    try:
        got = whole_run("alder-24", condition, 1, link=link)
    finally:
        for each in (*links, *boards):
            each.close()
    assert boards[0].interpreter == "micropython"
    assert (got.error, got.status, got.verdict, got.cause) == ("", expected.status, expected.verdict, expected.cause)
    assert got.pins.changes == expected.pins.changes
    assert links[0].bytes == boards[0].said > 100_000
    assert (got.verdict, got.cause) == {
        "good": ("accept", ""),
        "stuck-closed": ("reject", "stuck closed"),
        "seat-leak": ("reject", "seat leak"),
    }[condition]
