"""The simulated instruments in real time: the board on a pseudo-terminal, the multimeter on a TCP port.

One thread, one loop. The world keeps step with the computer's clock whether or not anybody talks, so that a board whose
host has died trips by itself, as the real one does. Not modelled: a serial line's speed; a pseudo-terminal has none.
"""

from __future__ import annotations

import os
import pty
import selectors
import socket
import time
import tty
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path
from types import TracebackType

from firmware_protocol.messages import (
    CAUSE_COIL_TIME,
    CAUSE_ESTOP,
    CAUSE_GUARD,
    CAUSE_NONE,
    CAUSE_OVER_CURRENT,
    CAUSE_SILENT,
    COIL,
    ISOLATION,
    METER,
    PUMP,
    REFERENCE,
    VENT,
)
from simulators.instruments.meter import MeterMode
from simulators.instruments.scpi import ScpiError
from simulators.links.operator_server import OperatorServer
from simulators.operator import SimulatedOperator
from simulators.simulated_bench import SimulatedBench

__all__ = ["BOARD_LINK", "Server", "in_words", "serve"]

BOARD_LINK = "board"
"""Name of the symbolic link to the board's pseudo-terminal, in the folder given."""
IDLE_S = 0.05
MOST_UNREAD_BYTES = 65_536
MOST_LINE_BYTES = 4096

_OUTPUTS = {COIL: "coil", METER: "meter", PUMP: "pump", ISOLATION: "isolation", VENT: "vent", REFERENCE: "reference"}
_CAUSES = {
    CAUSE_SILENT: "the host fell silent",
    CAUSE_ESTOP: "emergency stop",
    CAUSE_GUARD: "guard open",
    CAUSE_COIL_TIME: "coil on too long",
    CAUSE_OVER_CURRENT: "coil current too high",
}


def in_words(t_s: float, outputs: int, cause: int) -> str:
    """One line for a person about what the board has just done.

    >>> in_words(1.5, COIL | VENT, CAUSE_NONE)
    '   1.500 s  outputs on: coil vent'
    >>> in_words(2.25, 0, CAUSE_SILENT)
    '   2.250 s  all outputs off  (tripped: the host fell silent)'
    """
    on = " ".join(name for bit, name in _OUTPUTS.items() if outputs & bit)
    said = f"{t_s:8.3f} s  " + (f"outputs on: {on}" if on else "all outputs off")
    return said if cause == CAUSE_NONE else f"{said}  (tripped: {_CAUSES[cause]})"


class Server:
    """Pseudo-terminal and TCP port around one simulated bench. A context manager; leaving it closes both.

    Parameters
    ----------
    simulated_bench : SimulatedBench
        What is served.
    folder : Path
        Where the symbolic link to the pseudo-terminal goes; must exist.
    meter_port : int
        TCP port on 127.0.0.1; 0 takes any free one.
    announce : callable
        Given a line whenever outputs change or the board trips.
    hands : Hands or None
        Who connects references when asked on a TCP port of its own; None: nobody.

    Attributes
    ----------
    board_port : Path
        What the host opens as the board's serial port.
    meter_address : str
        The multimeter's VISA address.

    Raises
    ------
    ValueError
        The TCP port is taken, or something that is no link lies where the board's link should go.
    """

    def __init__(
        self,
        simulated_bench: SimulatedBench,
        *,
        folder: Path,
        meter_port: int,
        announce: Callable[[str], None],
        hands: SimulatedOperator | None = None,
    ) -> None:
        self._simulated_bench = simulated_bench
        self._selector = selectors.DefaultSelector()
        self._listener = _listening(meter_port)
        self.meter_address = f"TCPIP::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"
        self._client: socket.socket | None = None
        self._lines_in = bytearray()
        self._lines_out = bytearray()
        self.board_port = folder / BOARD_LINK
        if self.board_port.exists() and not self.board_port.is_symlink():
            self._listener.close()
            raise ValueError(f"{self.board_port} is in the way: it should be a link to the simulated board's port.")
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)  # or the board would hear its own answers until a host sets the line
        os.set_blocking(self._master, False)
        self.board_port.unlink(missing_ok=True)
        self.board_port.symlink_to(os.ttyname(self._slave))
        self._board_open = True
        self._board_out = bytearray()
        self._selector.register(self._master, selectors.EVENT_READ, self._board_ready)
        self._selector.register(self._listener, selectors.EVENT_READ, self._accept)
        self._hands = None if hands is None else OperatorServer(hands, self._selector)
        simulated_bench.on_change = lambda t_s, outputs, cause: announce(in_words(t_s, outputs, cause))

    def __enter__(self) -> Server:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        self.close()

    def run(self, *, until: Callable[[], bool] = lambda: False) -> None:
        """Keep the world in step with real time, and answer, until told to end; looks at `until` every `IDLE_S`."""
        began_s = _real_s() - self._simulated_bench.now_s
        while not until():
            self._simulated_bench.advance_to(_real_s() - began_s)
            self._settle()
            wait_s = min(self._next_s() - (_real_s() - began_s), IDLE_S)
            events = self._selector.select(max(0.0, wait_s))
            self._simulated_bench.advance_to(_real_s() - began_s)
            for key, mask in events:
                key.data(mask)

    def close(self) -> None:
        """Close both ports and take the link away. Safe to repeat."""
        self._close_board()
        self._close_client()
        self._close_listener()
        if self._hands is not None:
            self._hands.close()
            self._hands = None
        self._selector.close()

    @property
    def hands_address(self) -> str:
        """Where things are connected to the served bench, ``127.0.0.1:PORT``; empty without hands."""
        return "" if self._hands is None else self._hands.address

    def _next_s(self) -> float:
        answer_s = self._simulated_bench.meter.next_answer_s()
        stop_s = self._simulated_bench.next_stop_s()
        return stop_s if answer_s is None else min(stop_s, answer_s)

    def _settle(self) -> None:
        """Pass on what has become ready, and feel what has been unplugged."""
        if self._simulated_bench.board_unplugged:
            self._close_board()
        if self._simulated_bench.meter_mode is MeterMode.UNPLUGGED:
            self._close_listener()  # first, or a new client could still slip in
            self._close_client()
        for line in self._simulated_bench.meter.take(self._simulated_bench.now_s):
            if self._client is not None and len(self._lines_out) < MOST_UNREAD_BYTES:
                self._lines_out += line.encode("latin-1") + b"\n"
        self._write_client()

    # -- the board's pseudo-terminal

    def _board_ready(self, mask: int) -> None:
        if not self._board_open:
            return
        if mask & selectors.EVENT_READ:
            data = os.read(self._master, 4096)
            for late_s, piece in self._simulated_bench.wire.passed(data):
                self._simulated_bench.at(self._simulated_bench.now_s + late_s, partial(self._exchange, piece))
        with suppress(BlockingIOError):
            while self._board_out:
                del self._board_out[: os.write(self._master, self._board_out)]
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if self._board_out else 0)
        self._selector.modify(self._master, wanted, self._board_ready)

    def _exchange(self, data: bytes) -> None:
        for late_s, piece in self._simulated_bench.wire.passed(self._simulated_bench.board_exchange(data)):
            self._simulated_bench.at(self._simulated_bench.now_s + late_s, partial(self._answer, piece))

    def _answer(self, data: bytes) -> None:
        if self._board_open and len(self._board_out) < MOST_UNREAD_BYTES:
            self._board_out += data
            self._selector.modify(self._master, selectors.EVENT_READ | selectors.EVENT_WRITE, self._board_ready)

    def _close_board(self) -> None:
        if not self._board_open:
            return
        self._board_open = False
        self._selector.unregister(self._master)
        with suppress(OSError):
            if self.board_port.readlink() == Path(os.ttyname(self._slave)):
                self.board_port.unlink()
        os.close(self._master)
        os.close(self._slave)

    # -- the multimeter's socket

    def _accept(self, _: int) -> None:
        if self._client is not None:
            return
        try:
            client, _address = self._listener.accept()
        except OSError:  # gone again before it was looked at
            return
        client.setblocking(False)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._client = client
        self._selector.unregister(self._listener)  # one client at a time: the next one waits until this one has gone
        self._selector.register(client, selectors.EVENT_READ, self._client_ready)

    def _client_ready(self, mask: int) -> None:
        if self._client is None:
            return
        if mask & selectors.EVENT_READ:
            try:
                data = self._client.recv(4096)
            except BlockingIOError:
                return
            except OSError:
                data = b""
            if not data:
                self._close_client()
                return
            self._hear(data)
        self._write_client()

    def _hear(self, data: bytes) -> None:
        self._lines_in += data
        *lines, rest = bytes(self._lines_in).split(b"\n")
        self._lines_in[:] = rest
        for line in lines:
            if len(line) > MOST_LINE_BYTES:
                self._simulated_bench.meter.status.report(ScpiError(-363))
            else:
                self._simulated_bench.meter.handle(line.decode("latin-1").rstrip("\r"), self._simulated_bench.now_s)
        if len(rest) > MOST_LINE_BYTES:
            self._lines_in.clear()
            self._simulated_bench.meter.status.report(ScpiError(-363))

    def _write_client(self) -> None:
        if self._client is None:
            return
        try:
            while self._lines_out:
                del self._lines_out[: self._client.send(self._lines_out)]
        except BlockingIOError:
            pass
        except OSError:
            self._close_client()
            return
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if self._lines_out else 0)
        self._selector.modify(self._client, wanted, self._client_ready)

    def _close_client(self) -> None:
        if self._client is None:
            return
        self._selector.unregister(self._client)
        self._client.close()
        self._client = None
        self._lines_in.clear()
        self._lines_out.clear()
        self._simulated_bench.meter.disconnected()
        if self._listener.fileno() >= 0:
            self._selector.register(self._listener, selectors.EVENT_READ, self._accept)

    def _close_listener(self) -> None:
        if self._listener.fileno() >= 0:
            with suppress(KeyError):
                self._selector.unregister(self._listener)
            self._listener.close()


def serve(
    simulated_bench: SimulatedBench,
    *,
    folder: Path,
    meter_port: int = 0,
    announce: Callable[[str], None],
    until: Callable[[], bool] = lambda: False,
) -> None:
    """Serve a simulated bench until told to end; announces the two addresses first.

    Parameters
    ----------
    simulated_bench : SimulatedBench
        What is served.
    folder : Path
        For the link to the board's port.
    meter_port : int
        TCP port of the meter on 127.0.0.1; 0 takes any free one.
    announce : callable
        Given one line at a time, for a person.
    until : callable
        Asked several times a second; True ends the serving. KeyboardInterrupt ends it too, ports closed, and passes on.

    Raises
    ------
    ValueError
        A port cannot be had.
    """
    with Server(simulated_bench, folder=folder, meter_port=meter_port, announce=announce) as server:
        announce(f"board  {server.board_port}")
        announce(f"meter  {server.meter_address}")
        server.run(until=until)


def _real_s() -> float:
    return time.monotonic()  # noqa: TID251 - the simulators may not import the program's clock, and real time is served here


def _listening(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(("127.0.0.1", port))
        listener.listen()
    except OSError as error:
        listener.close()
        raise ValueError(f"TCP port {port} on this computer cannot be had for the meter ({error.strerror}).") from error
    listener.setblocking(False)
    return listener
