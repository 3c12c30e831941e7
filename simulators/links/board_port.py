"""The simulated board's end of its line: a pseudo-terminal, or a TCP port where there are none (Windows)."""

from __future__ import annotations

import os
import selectors
import socket
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Protocol

__all__ = ["BOARD_LINK", "BoardPort", "PseudoTerminal", "TcpPort", "has_pseudo_terminals", "listening"]

BOARD_LINK = "board"
"""Name of the symbolic link to the board's pseudo-terminal, in the folder given."""
MOST_UNREAD_BYTES = 65_536


class BoardPort(Protocol):
    """One line, open until it is closed; lives in the selector of whoever serves."""

    address: str
    """What the host takes for its ``[board] port``."""

    def send(self, data: bytes) -> None:
        """Pass on to the host, as it reads; what nobody reads is lost beyond `MOST_UNREAD_BYTES`."""

    def close(self) -> None:
        """As if the cable were pulled. Safe to repeat."""


def has_pseudo_terminals() -> bool:
    """Whether this computer has pseudo-terminals.

    >>> has_pseudo_terminals() == hasattr(os, "openpty")
    True
    """
    return hasattr(os, "openpty")


class PseudoTerminal:
    """A pseudo-terminal with a symbolic link to it in a folder.

    Raises
    ------
    ValueError
        Something that is no link lies where the link should go.
    """

    def __init__(self, folder: Path, selector: selectors.BaseSelector, heard: Callable[[bytes], None]) -> None:
        import tty

        self._path = folder / BOARD_LINK
        self.address = str(self._path)
        if self._path.exists() and not self._path.is_symlink():
            raise ValueError(f"{self._path} is in the way: it should be a link to the simulated board's port.")
        self._selector = selector
        self._heard = heard
        self._out = bytearray()
        self._open = True
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)  # or the board would hear its own answers until a host sets the line
        os.set_blocking(self._master, False)
        self._path.unlink(missing_ok=True)
        self._path.symlink_to(os.ttyname(self._slave))
        selector.register(self._master, selectors.EVENT_READ, self._ready)

    def send(self, data: bytes) -> None:
        """Pass on to the host, as it reads."""
        if self._open and len(self._out) < MOST_UNREAD_BYTES:
            self._out += data
            self._selector.modify(self._master, selectors.EVENT_READ | selectors.EVENT_WRITE, self._ready)

    def close(self) -> None:
        """Take the port and the link away."""
        if not self._open:
            return
        self._open = False
        self._selector.unregister(self._master)
        with suppress(OSError):
            if self._path.readlink() == Path(os.ttyname(self._slave)):
                self._path.unlink()
        os.close(self._master)
        os.close(self._slave)

    def _ready(self, mask: int) -> None:
        if not self._open:
            return
        if mask & selectors.EVENT_READ:
            self._heard(os.read(self._master, 4096))
        with suppress(BlockingIOError):
            while self._out:
                del self._out[: os.write(self._master, self._out)]
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if self._out else 0)
        self._selector.modify(self._master, wanted, self._ready)


class TcpPort:
    """A TCP port of 127.0.0.1. One host at a time: the next one waits until this one has gone, as for a serial port.

    Raises
    ------
    ValueError
        The port is taken.
    """

    def __init__(self, port: int, selector: selectors.BaseSelector, heard: Callable[[bytes], None]) -> None:
        self._selector = selector
        self._heard = heard
        self._out = bytearray()
        self._host: socket.socket | None = None
        self._listener = listening(port, "board")
        self.address = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        selector.register(self._listener, selectors.EVENT_READ, self._accept)

    def send(self, data: bytes) -> None:
        """Pass on to the host, as it reads."""
        if self._host is not None and len(self._out) < MOST_UNREAD_BYTES:
            self._out += data
            self._write()

    def close(self) -> None:
        """Close the port and the connection."""
        if self._listener.fileno() >= 0:
            with suppress(KeyError):  # not registered while a host is there
                self._selector.unregister(self._listener)
            self._listener.close()
        self._drop()

    def _accept(self, _mask: int) -> None:
        try:
            host, _address = self._listener.accept()
        except OSError:  # gone again before it was looked at
            return
        host.setblocking(False)
        host.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._host = host
        self._selector.unregister(self._listener)
        self._selector.register(host, selectors.EVENT_READ, self._ready)

    def _ready(self, mask: int) -> None:
        if self._host is None:
            return
        if mask & selectors.EVENT_READ:
            try:
                data = self._host.recv(4096)
            except BlockingIOError:
                return
            except OSError:
                data = b""
            if not data:
                self._drop()
                return
            self._heard(data)
        self._write()

    def _write(self) -> None:
        if self._host is None:
            return
        try:
            while self._out:
                del self._out[: self._host.send(self._out)]
        except BlockingIOError:
            pass
        except OSError:
            self._drop()
            return
        wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if self._out else 0)
        self._selector.modify(self._host, wanted, self._ready)

    def _drop(self) -> None:
        if self._host is None:
            return
        self._selector.unregister(self._host)
        self._host.close()
        self._host = None
        self._out.clear()
        if self._listener.fileno() >= 0:
            self._selector.register(self._listener, selectors.EVENT_READ, self._accept)


def listening(port: int, what: str) -> socket.socket:
    """Open a TCP port of 127.0.0.1, 0 for any free one, that never blocks.

    Raises
    ------
    ValueError
        The port is taken.
    """
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name == "posix":  # elsewhere it would let two programs have one port
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind(("127.0.0.1", port))
        listener.listen()
    except OSError as error:
        listener.close()
        raise ValueError(
            f"TCP port {port} on this computer cannot be had for the {what} ({error.strerror})."
        ) from error
    listener.setblocking(False)
    return listener
