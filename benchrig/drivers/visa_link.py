"""Text link over PyVISA: an instrument's LAN socket or serial line.

PyVISA-py loses what it holds of an answer when its timeout passes (measured), so it is only ever asked for bytes that
have arrived, or for one byte; lines are put together here. It also spins when the other end has closed, so the socket
is looked at before it is read. Every other kind of address and library goes to `benchrig.drivers.visa_message_link`.
"""

from __future__ import annotations

import errno
import math
import os
import re
import select
import socket
from typing import Any

from benchrig.clock import Clock
from benchrig.drivers.links import LONGEST_BLOCK_S, TextLink
from benchrig.drivers.visa_message_link import VisaMessageLink
from benchrig.errors import LinkError, LinkTimeout

__all__ = ["LONGEST_LINE", "VisaLink", "open_visa"]

LONGEST_LINE = 4096
"""Bytes. No answer to our questions is nearly as long; more is not our instrument, or it does not end its lines."""
OPEN_S = 2.0
REOPEN_S = LONGEST_BLOCK_S / 2
POLL_S = 0.02
"""The longest that PyVISA is let wait at once: so long it would spin if the other end closed meanwhile."""

SUPPORTED = re.compile(r"TCPIP\d*::(?P<host>[^:]+)::(?P<port>\d{1,5})::SOCKET|ASRL.+::INSTR", re.IGNORECASE)
PYVISA_PY = "@py"
OFFLINE = "Is the meter on and its network or serial cable plugged in? Is [meter] address right, and its port open?"


class VisaLink:
    """One open session. Make it with `open_visa`."""

    def __init__(self, address: str, clock: Clock) -> None:
        self.name = address
        self._clock = clock
        self._session: Any = None
        self._resource = ""
        self._held = bytearray()
        self._open(OPEN_S)

    def write(self, line: str) -> None:
        """Send one line.

        Raises
        ------
        LinkTimeout
            The line could not be sent in time.
        LinkError
            The instrument is gone.
        """
        data = line.encode("ascii") + b"\n"
        if b"\n" in data[:-1]:
            raise ValueError(f"{line!r} is more than one line")
        session = self._opened()
        try:
            session.timeout = round(1000 * LONGEST_BLOCK_S)
            session.write_raw(data)
        except Exception as error:  # noqa: BLE001  PyVISA lets through whatever lies under it; all of it is told apart below
            self._fail("sending", error)

    def read(self, deadline: float) -> str | None:
        """Return the next whole line without its terminator, or None once the deadline has passed.

        What has arrived of an unfinished line is kept for the next call.

        Raises
        ------
        LinkError
            The instrument is gone, closed the connection, or sends what is not a line of ASCII text.
        """
        while True:
            line = self._next_line()
            if line is not None:
                return line
            session = self._opened()
            try:
                waiting = self._waiting()
                left_s = deadline - self._clock.now()
                if waiting == 0 and left_s <= 0:
                    return None
                wait_ms = max(1, math.ceil(1000 * min(left_s, POLL_S)))
                if session.timeout != wait_ms:
                    session.timeout = wait_ms
                self._held += session.read_bytes(max(1, waiting))
            except Exception as error:  # noqa: BLE001  as above
                if not _is_timeout(error):
                    self._fail("waiting for an answer", error)

    def reopen(self) -> None:
        """Close and open again, dropping whatever was on its way.

        Raises
        ------
        LinkError
            The instrument is not there.
        """
        self.close()
        self._open(REOPEN_S)

    def close(self) -> None:
        """Give the session back. Safe to repeat."""
        session, self._session = self._session, None
        self._held.clear()
        if session is not None:
            try:
                session.close()
            except Exception as error:  # noqa: BLE001  as above
                self._fail("closing", error)

    # ---- below

    def _open(self, open_s: float) -> None:
        import pyvisa  # 80 ms, so only when a real meter is opened

        try:
            if not self._resource:
                self._resource = _with_host_found(self.name)
            manager = pyvisa.ResourceManager("@py")
            self._session = manager.open_resource(self._resource, open_timeout=round(1000 * open_s))
            self._check_connected()
        except Exception as error:  # noqa: BLE001  PyVISA-py raises bare Exception when it cannot connect
            failed, self._session = self._session, None
            if failed is not None:
                failed.close()
            self._fail("opening", error)

    def _check_connected(self) -> None:
        """Raise OSError for a refused connection, which PyVISA-py takes for an open one."""
        under = self._under()
        if isinstance(under, socket.socket):
            number = under.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
            if number:
                raise OSError(number, os.strerror(number))

    def _opened(self) -> Any:
        if self._session is None:
            raise LinkError(f"Meter at {self.name}: the session is closed.", hint=OFFLINE)
        return self._session

    def _under(self) -> Any:
        """The socket or serial port below PyVISA-py's session, or None if it keeps it elsewhere one day."""
        sessions = getattr(self._session.visalib, "sessions", {})
        return getattr(sessions.get(self._session.session), "interface", None)

    def _waiting(self) -> int:
        """How many bytes can be read at once. Raises OSError when the other end has closed."""
        under = self._under()
        if isinstance(under, socket.socket):
            if not select.select([under], [], [], 0)[0]:
                return 0
            peeked = under.recv(LONGEST_LINE, socket.MSG_PEEK)
            if not peeked:
                raise ConnectionResetError(errno.ECONNRESET, "the meter closed the connection")
            return len(peeked)
        return int(getattr(under, "in_waiting", 0))

    def _next_line(self) -> str | None:
        end = self._held.find(b"\n")
        if max(end, len(self._held) if end < 0 else 0) > LONGEST_LINE:
            self._garbage(f"over {LONGEST_LINE} bytes without the end of a line, beginning {bytes(self._held[:40])!r}")
        if end < 0:
            return None
        raw = bytes(self._held[:end]).rstrip(b"\r")
        del self._held[: end + 1]
        if not raw.isascii():
            self._garbage(f"{raw[:60]!r}")
        return raw.decode("ascii")

    def _garbage(self, what: str) -> None:
        self._held.clear()
        raise LinkError(
            f"Meter at {self.name}: sent {what}, which is not a line of text.",
            hint="Is this the meter's port? On a serial line: the same baud rate and parity at both ends?",
        )

    def _fail(self, doing: str, error: Exception) -> None:
        """Raise `error` as one of ours, unless it is a bug."""
        if isinstance(error, (TypeError, AttributeError, NameError, KeyError, LinkError)):
            raise error
        if _is_timeout(error):
            raise LinkTimeout(f"Meter at {self.name}: timed out while {doing}.", hint=OFFLINE) from error
        said = (isinstance(error, OSError) and error.strerror) or _plain(error)
        raise LinkError(f"Meter at {self.name}: the link failed while {doing} ({said}).", hint=OFFLINE) from error


def open_visa(address: str, clock: Clock, backend: str = PYVISA_PY) -> TextLink:
    """Open a session to an instrument. Only an answer to ``*IDN?`` proves that it is there.

    Parameters
    ----------
    address : str
        VISA resource name, as PyVISA takes it.
    clock : Clock
        The bench's clock; it is to run with real time.
    backend : str
        Which VISA library: what ``pyvisa.ResourceManager`` takes.

    Raises
    ------
    ConfigError
        The address is none, or the library that it needs is not installed.
    LinkError
        Nothing can be opened there.
    """
    if backend == PYVISA_PY and SUPPORTED.fullmatch(address):
        return VisaLink(address, clock)
    return VisaMessageLink(address, clock, backend)


def _with_host_found(address: str) -> str:
    """The address with its host's number for its name, so that reopening need not look it up again."""
    match = SUPPORTED.fullmatch(address)
    if match is None or match["host"] is None:
        return address
    found = socket.getaddrinfo(match["host"], int(match["port"]), socket.AF_INET, socket.SOCK_STREAM)
    return f"TCPIP0::{found[0][4][0]}::{match['port']}::SOCKET"


def _plain(error: Exception) -> str:
    """What a library says, without VISA's own numbers, which stay with the cause."""
    from pyvisa import VisaIOError

    said = error.description.rstrip(".") if isinstance(error, VisaIOError) else str(error)
    return " ".join(said.split())


def _is_timeout(error: Exception) -> bool:
    from pyvisa import VisaIOError
    from pyvisa.constants import StatusCode

    return isinstance(error, VisaIOError) and error.error_code == StatusCode.error_timeout
