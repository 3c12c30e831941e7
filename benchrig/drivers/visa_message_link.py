"""Text link over PyVISA to an instrument that sends whole messages: USB, GPIB, LAN instruments, any VISA library.

`benchrig.drivers.visa_link` knows what lies under PyVISA-py's sockets and serial lines and works around it. Here
nothing is known of what lies below: a message is asked for with PyVISA's own timeout, in slices that let the bench
breathe. The driver asks short questions only, so that an answer which does not come is a fault and the session is
opened anew.
Tried against PyVISA-sim; not yet on a real USB or GPIB instrument.
"""

from __future__ import annotations

import math
from typing import Any, NoReturn

from benchrig.clock import Clock
from benchrig.drivers.links import LONGEST_BLOCK_S
from benchrig.errors import ConfigError, LinkError, LinkTimeout

__all__ = ["LONGEST_MESSAGE", "VisaMessageLink"]

LONGEST_MESSAGE = 4096
"""Bytes. No answer to our questions is nearly as long."""
OPEN_S = 2.0
OFFLINE = "Is the meter on and its cable plugged in? Is [meter] address right, and does another program hold the meter?"


class VisaMessageLink:
    """One open session.

    Parameters
    ----------
    address : str
        VISA resource name, as PyVISA takes it.
    clock : Clock
        The bench's clock; it is to run with real time.
    backend : str
        Which VISA library: what ``pyvisa.ResourceManager`` takes. ``@py`` is PyVISA-py, ``@ivi`` an installed one.

    Raises
    ------
    ConfigError
        The address is none, or the library for it is not installed.
    LinkError
        Nothing can be opened there.
    """

    def __init__(self, address: str, clock: Clock, backend: str) -> None:
        self.name = address
        self._clock = clock
        self._backend = backend
        self._session: Any = None
        self._open()

    def write(self, line: str) -> None:
        """Send one line. Raises LinkTimeout or LinkError."""
        session = self._opened()
        try:
            session.timeout = round(1000 * LONGEST_BLOCK_S)
            session.write_raw(line.encode("ascii") + b"\n")
        except Exception as error:  # noqa: BLE001  VISA libraries let through whatever lies under them
            self._fail("sending", error)

    def read(self, deadline: float) -> str | None:
        """Return the next message without its terminator, or None once the deadline has passed.

        With a deadline that has passed already nothing is asked for: an instrument on USB or GPIB that is read without
        a question puts a query error into its queue (IEEE 488.2, 6.5.7.5).

        Raises
        ------
        LinkError
            The instrument is gone, or sends what is not a line of ASCII text.
        """
        from pyvisa import VisaIOError
        from pyvisa.constants import StatusCode

        session = self._opened()
        while True:
            left_s = deadline - self._clock.now()
            if left_s <= 0:
                return None
            try:
                session.timeout = max(1, math.ceil(1000 * min(left_s, LONGEST_BLOCK_S)))
                raw: bytes = session.read_raw()
            except VisaIOError as error:
                if error.error_code != StatusCode.error_timeout:
                    self._fail("waiting for an answer", error)
                continue
            except Exception as error:  # noqa: BLE001  as above
                self._fail("waiting for an answer", error)
            text = raw.rstrip(b"\r\n")
            if len(text) > LONGEST_MESSAGE or not text.isascii() or b"\n" in text:
                raise LinkError(
                    f"Meter at {self.name}: sent {text[:60]!r}, which is not a line of text.",
                    hint="Is this the meter's address?",
                )
            return text.decode("ascii")

    def reopen(self) -> None:
        """Close and open again, dropping whatever was on its way. Raises LinkError."""
        self.close()
        self._open()

    def close(self) -> None:
        """Give the session back. Safe to repeat."""
        session, self._session = self._session, None
        if session is not None:
            try:
                session.close()
            except Exception as error:  # noqa: BLE001  as above
                self._fail("closing", error)

    # ---- below

    def _open(self) -> None:
        import pyvisa  # 80 ms, so only when a real meter is opened

        try:
            pyvisa.rname.ResourceName.from_string(self.name)
        except pyvisa.rname.InvalidResourceName as error:
            raise ConfigError(
                f"Meter address {self.name!r}: no VISA resource name.",
                hint="Write [meter] address as the meter's maker or PyVISA names it, for example "
                "TCPIP0::192.0.2.7::5025::SOCKET, USB0::0x1111::0x2222::SERIAL::INSTR or GPIB0::9::INSTR.",
            ) from error
        try:
            manager = pyvisa.ResourceManager(self._backend)
        except Exception as error:
            raise ConfigError(
                f"[meter] backend {self._backend!r}: no such VISA library ({' '.join(str(error).split())}).",
                hint="Leave backend out for PyVISA-py; '@ivi' takes the VISA library installed on this computer.",
            ) from error
        try:
            session = manager.open_resource(self.name, open_timeout=round(1000 * OPEN_S))
        except ValueError as error:  # PyVISA-py: the Python package for this kind of connection is missing
            raise ConfigError(
                f"Meter at {self.name}: this kind of connection needs another Python package "
                f"({str(error).splitlines()[0]})",
                hint='Install it beside benchrig, or name an installed VISA library as [meter] backend = "@ivi".',
            ) from error
        except Exception as error:  # noqa: BLE001  as above
            self._fail("opening", error)
        for ends in ("read_termination", "write_termination"):
            if hasattr(session, ends):
                setattr(session, ends, "\n")
        self._session = session

    def _opened(self) -> Any:
        if self._session is None:
            raise LinkError(f"Meter at {self.name}: the session is closed.", hint=OFFLINE)
        return self._session

    def _fail(self, doing: str, error: Exception) -> NoReturn:
        """Raise `error` as one of ours, unless it is a bug. VISA's own numbers stay with the cause."""
        from pyvisa import VisaIOError
        from pyvisa.constants import StatusCode

        if isinstance(error, (TypeError, AttributeError, NameError, KeyError, LinkError)):
            raise error
        if isinstance(error, VisaIOError):
            if error.error_code == StatusCode.error_timeout:
                raise LinkTimeout(f"Meter at {self.name}: timed out while {doing}.", hint=OFFLINE) from error
            said = error.description.rstrip(".")
        else:
            said = (isinstance(error, OSError) and error.strerror) or " ".join(str(error).split())
        raise LinkError(f"Meter at {self.name}: the link failed while {doing} ({said}).", hint=OFFLINE) from error
