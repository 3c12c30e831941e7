"""The hands beside a served bench: a TCP port on which a program, or a person, connects things and reads instruments.

One request a line, one answer a line: ``connect blind-plug`` is answered ``ok``, ``read barometer`` with a number; what
cannot be done is answered ``no: ...``. Not modelled: that a person takes minutes.
"""

from __future__ import annotations

import selectors
import socket
from contextlib import suppress
from functools import partial

from simulators.operator import SimulatedOperator

__all__ = ["OperatorServer"]

MOST_LINE_BYTES = 200
MOST_CLIENTS = 8


class OperatorServer:
    """Listens on a free port of 127.0.0.1; works within the selector loop of whoever serves the bench.

    Attributes
    ----------
    address : str
        ``127.0.0.1:PORT``.
    """

    def __init__(self, hands: SimulatedOperator, selector: selectors.BaseSelector) -> None:
        self._hands = hands
        self._selector = selector
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.setblocking(False)
        self._clients: dict[socket.socket, bytearray] = {}
        selector.register(self._listener, selectors.EVENT_READ, self._accept)
        self.address = f"127.0.0.1:{self._listener.getsockname()[1]}"

    def close(self) -> None:
        """Close the port and all connections."""
        for client in list(self._clients):
            self._drop(client)
        if self._listener.fileno() >= 0:
            self._selector.unregister(self._listener)
            self._listener.close()

    def _accept(self, _mask: int) -> None:
        try:
            client, _address = self._listener.accept()
        except OSError:  # gone again before it was looked at
            return
        if len(self._clients) >= MOST_CLIENTS:
            client.close()
            return
        client.setblocking(False)
        self._clients[client] = bytearray()
        self._selector.register(client, selectors.EVENT_READ, partial(self._hear, client))

    def _hear(self, client: socket.socket, _mask: int) -> None:
        try:
            data = client.recv(4096)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        unread = self._clients[client]
        unread += data
        *lines, rest = bytes(unread).split(b"\n")
        unread[:] = rest
        if not data or len(rest) > MOST_LINE_BYTES:
            self._drop(client)
            return
        for line in lines:
            with suppress(OSError):  # whoever asks and does not listen misses the answer
                client.send(self._answer(line.decode("ascii", "replace").strip()).encode("ascii", "replace") + b"\n")

    def _answer(self, request: str) -> str:
        verb, _, what = request.partition(" ")
        try:
            if verb == "connect":
                self._hands.connect(what)
                return "ok"
            if verb == "read":
                return repr(self._hands.read(what))
        except ValueError as error:
            return f"no: {error}"
        return "no: say connect THING or read INSTRUMENT"

    def _drop(self, client: socket.socket) -> None:
        self._selector.unregister(client)
        client.close()
        del self._clients[client]
