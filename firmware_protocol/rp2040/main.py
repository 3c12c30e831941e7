"""What the board runs: puts port, board and watchdog together and turns the loop for ever."""

if __name__ == "__main__":
    import micropython

    micropython.kbd_intr(-1)  # before the second that the imports below take (boot.py)

from firmware_protocol import messages as m
from firmware_protocol.board import Board
from firmware_protocol.rp2040 import boot, firmware_files, pins
from firmware_protocol.rp2040.port import SYSTEM_HZ, ChipPort
from firmware_protocol.rp2040.registers import REASON_FORCE, REASON_TIMER, WATCHDOG_REASON
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


def reset_reason(machine: "Any") -> int:
    """Why the chip started, for ABOUT."""
    reason = machine.mem32[WATCHDOG_REASON]
    if reason & REASON_FORCE:
        return m.RESET_PROGRAM
    return m.RESET_WATCHDOG if reason & REASON_TIMER else m.RESET_POWER


def read_file(path: str) -> bytes:
    """Content of a file on the board."""
    with open(path, "rb") as file:
        return file.read()


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
        The board's own modules as attributes: machine, rp2, micropython, sys, select, time, uctypes, gc, hashlib.
    """
    machine = modules.machine
    boot.outputs_off(machine)
    if machine.Pin(pins.SERVICE, machine.Pin.IN, machine.Pin.PULL_UP).value() == 0:
        return None
    machine.freq(SYSTEM_HZ)
    modules.micropython.kbd_intr(-1)
    port = ChipPort(machine, modules.rp2, modules.time.ticks_us, modules.uctypes.addressof, modules.gc.mem_free)
    unique = bytes(machine.unique_id())
    firmware = bytes(m.DIGEST_BYTES)
    if hasattr(modules.hashlib, "sha256"):
        firmware = firmware_files.digest(modules.hashlib.sha256, read_file)
    started = (reset_reason(machine), unique, firmware, modules.sys.version[-m.MAX_TEXT_BYTES :])
    board = Board(port, identity(unique), pins.BUILD, pins.CHANNELS, started)
    reading, writing = modules.select.poll(), modules.select.poll()
    stdin, stdout = modules.sys.stdin, modules.sys.stdout
    reading.register(stdin, modules.select.POLLIN)
    writing.register(stdout, modules.select.POLLOUT)
    serial = UsbSerial(stdin.buffer, stdout.buffer, lambda: reading.poll(0), lambda: writing.poll(0))
    # Only now: compiling the files may take longer than the watchdog waits, and nothing can be on yet.
    board.after_rules = machine.WDT(timeout=pins.WATCHDOG_MS).feed
    return board, port, serial


def run(modules: "Any", turns: "int | None" = None) -> None:
    """Start, then turn the loop for ever (`turns` times in a test); on any fault outputs off at once, then reset.

    A fault in the start leaves the board at its prompt, outputs off, where it tells what was wrong: after a reset the
    same would come again, for ever.
    """
    try:
        parts = start(modules)
    except BaseException:
        boot.outputs_off(modules.machine)
        raise
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
    import gc
    import select
    import sys
    import time
    from collections import namedtuple

    import machine
    import rp2
    import uctypes

    try:
        import hashlib
    except ImportError:  # some builds leave it out: the board then does not know its digest
        hashlib = None  # type: ignore[assignment]
    Modules = namedtuple(
        "Modules", ("machine", "rp2", "micropython", "sys", "select", "time", "uctypes", "gc", "hashlib")
    )
    run(Modules(machine, rp2, micropython, sys, select, time, uctypes, gc, hashlib))
