"""What the board runs: puts port, board and watchdog together and turns the loop for ever."""

if __name__ == "__main__":
    import micropython

    micropython.kbd_intr(-1)  # before the second that the imports below take (boot.py)

from firmware_protocol.board import Board
from firmware_protocol.rp2040 import boot, pins
from firmware_protocol.rp2040.port import SYSTEM_HZ, ChipPort
from firmware_protocol.rp2040.usb import UsbSerial

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

__all__ = ["identity", "run", "start", "turn"]


def identity(unique_id: bytes) -> bytes:
    """Eight readable bytes from the chip's own number, for HELLO and the bench file.

    Examples
    --------
    >>> identity(bytes.fromhex("e6614103e7452d2a"))
    b'R7452D2A'
    """
    digits = "".join(["%02X" % byte for byte in unique_id])
    return ("R" + digits[-7:]).encode()


def turn(board: "Any", port: "Any", serial: "Any") -> None:
    """One turn of the loop, with one request at most. The board feeds the watchdog whenever it has judged its rules."""
    port.poll()
    serial.send(board.receive(serial.arrived()))
    board.tick()


def start(modules: "Any") -> "tuple[Any, Any, Any] | None":
    """Make port, board and serial, and start the watchdog; None if the service strap asks for the prompt.

    Parameters
    ----------
    modules : object
        The board's own modules as attributes: machine, rp2, micropython, sys, select, time, uctypes.
    """
    machine = modules.machine
    boot.outputs_off(machine)
    if machine.Pin(pins.SERVICE, machine.Pin.IN, machine.Pin.PULL_UP).value() == 0:
        return None
    machine.freq(SYSTEM_HZ)
    modules.micropython.kbd_intr(-1)
    port = ChipPort(machine, modules.rp2, modules.time.ticks_us, modules.uctypes.addressof)
    board = Board(port, identity(machine.unique_id()), pins.BUILD, pins.CHANNELS)
    reading, writing = modules.select.poll(), modules.select.poll()
    stdin, stdout = modules.sys.stdin, modules.sys.stdout
    reading.register(stdin, modules.select.POLLIN)
    writing.register(stdout, modules.select.POLLOUT)
    serial = UsbSerial(stdin.buffer, stdout.buffer, lambda: reading.poll(0), lambda: writing.poll(0))
    # Only now: compiling the files may take longer than the watchdog waits, and nothing can be on yet.
    board.after_rules = machine.WDT(timeout=pins.WATCHDOG_MS).feed
    return board, port, serial


def run(modules: "Any", turns: "int | None" = None) -> None:
    """Start, then turn the loop for ever (`turns` times in a test); on any fault outputs off at once, then reset."""
    parts = start(modules)
    if parts is None:
        return
    try:
        while turns is None or turns > 0:
            turn(*parts)
            turns = None if turns is None else turns - 1
    except BaseException:  # noqa: BLE001  # whatever it is, nothing may stay on
        boot.outputs_off(modules.machine)
        modules.machine.reset()


if __name__ == "__main__":
    import select
    import sys
    import time
    from collections import namedtuple

    import machine
    import rp2
    import uctypes

    Modules = namedtuple("Modules", ("machine", "rp2", "micropython", "sys", "select", "time", "uctypes"))
    run(Modules(machine, rp2, micropython, sys, select, time, uctypes))
