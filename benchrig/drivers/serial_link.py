"""Byte link over a serial port of this computer or of the network (pyserial): 8 data bits, no parity, 1 stop bit.

What pyserial, the system and the terminal layer raise is turned into `LinkError` here and nowhere else.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager

import serial
from serial.tools import list_ports

from benchrig.clock import Clock
from benchrig.drivers.links import LONGEST_BLOCK_S
from benchrig.errors import ConfigError, LinkError, LinkTimeout

__all__ = ["BAUD", "SerialLink", "open_serial"]

BAUD = 921_600
"""The longest answer, about 1040 bytes, takes 12 ms at this rate (90 ms at 115200); a board on USB ignores the rate."""

try:
    from termios import error as _termios_error

    _FAILURES: tuple[type[Exception], ...] = (OSError, _termios_error)
except ImportError:  # Windows
    _FAILURES = (OSError,)
"""What pyserial lets through: its own errors are OSErrors, those of the POSIX terminal layer are not."""
_FAILURES_IN_USE: tuple[type[Exception], ...] = (*_FAILURES, TypeError)

WINDOWS = os.name == "nt"
NETWORK = ("socket://", "rfc2217://")
POLL_S = 0.001
MOST_BYTES = 4096
KINDS = (
    "[board] port in the bench file is a device name such as /dev/ttyACM0 or COM5, or socket://HOST:PORT or "
    "rfc2217://HOST:PORT for a serial port of the network."
)
UNREACHED = (
    "Is the device on whose serial port the board is switched on, and on the network? Are host and port right in "
    "[board] port? It serves one program at a time: does another one hold it?"
)
UNPLUGGED = "Is the USB cable plugged in at both ends and the board's lamp lit? Then another cable, another socket."


class SerialLink:
    """One open port. Make it with `open_serial`."""

    def __init__(self, name: str, port: serial.Serial, clock: Clock) -> None:
        self.name = name
        self._port = port
        self._clock = clock
        self._of_network = _of_network(name)

    def write(self, data: bytes) -> None:
        """Send all of `data`.

        Raises
        ------
        LinkTimeout
            The port took no more bytes for `LONGEST_BLOCK_S`.
        LinkError
            The port is gone.
        """
        with self._translated("writing"):
            self._port.write(data)

    def read(self, deadline: float) -> bytes:
        """Return what has arrived, waiting for at least one byte; ``b""`` once the deadline has passed.

        Raises
        ------
        LinkError
            The port is gone.
        """
        with self._translated("reading"):
            if self._of_network:
                return self._read_from_network(deadline)
            while True:
                waiting = self._port.in_waiting
                if waiting:
                    return self._port.read(waiting)
                left_s = deadline - self._clock.now()
                if left_s <= 0:
                    return b""
                # one byte, as pyserial waits for all that it is asked for; what follows it is already waiting
                self._port.timeout = min(left_s, LONGEST_BLOCK_S)
                first = self._port.read(1)
                if first:
                    return first + self._port.read(self._port.in_waiting)

    def _read_from_network(self, deadline: float) -> bytes:
        # pyserial does not know how much waits in a socket, and another timeout is another negotiation in RFC 2217
        while True:
            try:
                data = self._port.read(MOST_BYTES)
            except serial.SerialException:
                self._port.close()  # or the first thing written afterwards would seem to arrive
                raise
            left_s = deadline - self._clock.now()
            if data or left_s <= 0:
                return data
            self._clock.sleep_until(self._clock.now() + min(left_s, POLL_S))

    def close(self) -> None:
        """Give the port back. Safe to repeat."""
        with self._translated("closing"):
            self._port.close()

    @contextmanager
    def _translated(self, doing: str) -> Iterator[None]:
        try:
            yield
        except serial.SerialTimeoutException as error:
            raise LinkTimeout(
                f"Serial port {self.name}: took no more bytes for {LONGEST_BLOCK_S:g} s; the board does not read.",
                hint="Switch the board off and on. Is it really the relay board that is plugged in here?",
            ) from error
        except _FAILURES_IN_USE as error:
            # TypeError: pyserial's own file number is None after the port was closed under it
            if isinstance(error, TypeError) and self._port.is_open:
                raise
            raise LinkError(
                f"Serial port {self.name}: the port failed while {doing} ({error}).",
                hint=UNREACHED if self._of_network else UNPLUGGED,
            ) from error


def open_serial(port: str, clock: Clock) -> SerialLink:
    """Open a serial port for one program alone.

    Parameters
    ----------
    port : str
        Device name (``/dev/ttyACM0``, ``COM5``); ``socket://HOST:PORT`` or ``rfc2217://HOST:PORT`` of a serial port on
        the network; or another URL that pyserial knows, such as ``spy:///dev/ttyACM0?file=bytes.txt``.
    clock : Clock
        The bench's clock.

    Raises
    ------
    LinkError
        There is no such port, it may not be opened, or another program holds it.
    ConfigError
        The URL is of no kind that pyserial knows, or not complete.
    """
    try:
        opened = serial.serial_for_url(
            port,
            baudrate=BAUD,
            bytesize=serial.EIGHTBITS,
            parity=serial.PARITY_NONE,
            stopbits=serial.STOPBITS_ONE,
            timeout=0,
            # pyserial has no such limit for RFC 2217: there its own of 5 s holds, and the board trips meanwhile
            write_timeout=None if port.lower().startswith("rfc2217://") else LONGEST_BLOCK_S,
            exclusive=True,
        )
    except ValueError as error:
        raise ConfigError(
            f"Serial port {port}: not a port that can be opened ({error}).",
            hint=KINDS,
        ) from error
    except _FAILURES as error:
        if _of_network(port) and any(isinstance(each, (ValueError, TypeError)) for each in _behind(error)):
            raise ConfigError(f"Serial port {port}: not a complete address ({error}).", hint=KINDS) from error
        what, hint = _why_not(port, error)
        raise LinkError(f"Serial port {port}: {what}.", hint=hint) from error
    return SerialLink(port, opened, clock)


def _why_not(port: str, error: Exception) -> tuple[str, str]:
    """Why a port could not be opened, in words, and what to check."""
    if _of_network(port):
        reasons = [each.strerror for each in _behind(error) if isinstance(each, OSError) and each.strerror]
        return f"cannot be reached ({reasons[-1] if reasons else error})", UNREACHED
    number = _error_number(error)
    if WINDOWS:  # pyserial names the system's error in its words only, and a port that is held is "access denied"
        number = errno.EBUSY if "PermissionError(" in str(error) else number
        number = errno.ENOENT if "FileNotFoundError(" in str(error) else number
    if number is None and error.__context__ is not None:  # pyserial hides the number when it sets the port up
        number = _error_number(error.__context__)
    if number == errno.ENOENT:
        return "there is no such port", f"Is the board plugged in? Ports there are: {_ports()}. Then [board] port."
    if number in (errno.EACCES, errno.EPERM):
        return (
            "this user may not open it",
            "Add the user to the group that owns the port (ls -l shows it; often dialout), and log in again.",
        )
    if number in (errno.EBUSY, errno.EAGAIN):
        return "another program holds it", _held_by_whom()
    if number in (errno.ENOTTY, errno.EINVAL, errno.EISDIR):
        return (
            "it is not a serial port",
            f"Ports there are: {_ports()}. Then [board] port in the bench file.",
        )
    return f"cannot be opened ({error})", f"{UNPLUGGED} Ports there are: {_ports()}."


def _held_by_whom() -> str:
    shown = "Device Manager shows which port is whose" if WINDOWS else "fuser shows which one it is"
    return f"Close the other benchrig or terminal program; {shown}."


def _of_network(port: str) -> bool:
    return port.lower().startswith(NETWORK)


def _behind(error: BaseException) -> Iterator[BaseException]:
    """The error and what it hides, outermost first."""
    at: BaseException | None = error
    while at is not None:
        yield at
        at = at.__context__


def _error_number(error: BaseException) -> int | None:
    if isinstance(error, OSError):
        return error.errno
    return int(error.args[0]) if isinstance(error, _FAILURES) else None


def _ports() -> str:
    return ", ".join(sorted(info.device for info in list_ports.comports())) or "none"
