"""The simulated instruments in real time: the board on a pseudo-terminal or TCP port, the multimeter on a TCP port.

One thread, one loop. The world keeps step with the computer's clock whether or not anybody talks, so that a board whose
host has died trips by itself, as the real one does. Not modelled: a serial line's speed; a pseudo-terminal has none.
"""

from __future__ import annotations

import selectors
import socket
import time
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
from simulators.links.board_port import (
    MOST_UNREAD_BYTES,
    BoardPort,
    PseudoTerminal,
    TcpPort,
    has_pseudo_terminals,
    listening,
)
from simulators.links.operator_server import OperatorServer
from simulators.operator import SimulatedOperator
from simulators.simulated_bench import SimulatedBench

__all__ = ["Server", "in_words", "serve"]

IDLE_S = 0.05
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
    """Ports of board and meter around one simulated bench. A context manager; leaving it closes both.

    Parameters
    ----------
    simulated_bench : SimulatedBench
        What is served.
    folder : Path
        Where the symbolic link to the pseudo-terminal goes; must exist.
    meter_port : int
        TCP port on 127.0.0.1; 0 takes any free one.
    board_port : int or None
        TCP port of the board in place of a pseudo-terminal; 0 takes any free one, as None does where there are none.
    announce : callable
        Given a line whenever outputs change or the board trips.
    hands : Hands or None
        Who connects references when asked on a TCP port of its own; None: nobody.

    Attributes
    ----------
    board_port : str
        What the host opens as the board's serial port: a path, or ``socket://127.0.0.1:PORT``.
    meter_address : str
        The multimeter's VISA address.

    Raises
    ------
    ValueError
        A TCP port is taken, or something that is no link lies where the board's link should go.
    """

    def __init__(
        self,
        simulated_bench: SimulatedBench,
        *,
        folder: Path,
        meter_port: int,
        board_port: int | None = None,
        announce: Callable[[str], None],
        hands: SimulatedOperator | None = None,
    ) -> None:
        self._simulated_bench = simulated_bench
        self._selector = selectors.DefaultSelector()
        self._listener = listening(meter_port, "meter")
        self.meter_address = f"TCPIP::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"
        self._client: socket.socket | None = None
        self._lines_in = bytearray()
        self._lines_out = bytearray()
        self._selector.register(self._listener, selectors.EVENT_READ, self._accept)
        try:
            self._board = self._board_port(folder, board_port)
        except ValueError:
            self._listener.close()
            raise
        self.board_port = self._board.address
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
        self._board.close()
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
            self._board.close()
        if self._simulated_bench.meter_mode is MeterMode.UNPLUGGED:
            self._close_listener()  # first, or a new client could still slip in
            self._close_client()
        for line in self._simulated_bench.meter.take(self._simulated_bench.now_s):
            if self._client is not None and len(self._lines_out) < MOST_UNREAD_BYTES:
                self._lines_out += line.encode("latin-1") + b"\n"
        self._write_client()

    # -- the board's port

    def _board_port(self, folder: Path, tcp_port: int | None) -> BoardPort:
        if tcp_port is None and has_pseudo_terminals():
            return PseudoTerminal(folder, self._selector, self._hear_board)
        return TcpPort(tcp_port or 0, self._selector, self._hear_board)

    def _hear_board(self, data: bytes) -> None:
        for late_s, piece in self._simulated_bench.wire.passed(data):
            self._simulated_bench.at(self._simulated_bench.now_s + late_s, partial(self._exchange, piece))

    def _exchange(self, data: bytes) -> None:
        for late_s, piece in self._simulated_bench.wire.passed(self._simulated_bench.board_exchange(data)):
            self._simulated_bench.at(self._simulated_bench.now_s + late_s, partial(self._board.send, piece))

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
