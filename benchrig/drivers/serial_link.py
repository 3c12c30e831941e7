"""Byte link over a serial port (pyserial): 8 data bits, no parity, 1 stop bit.

What pyserial, the system and the terminal layer raise is turned into `LinkError` here and nowhere else.
"""

from __future__ import annotations

import errno
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

UNPLUGGED = "Is the USB cable plugged in at both ends and the board's lamp lit? Then another cable, another socket."


class SerialLink:
    """One open port. Make it with `open_serial`."""

    def __init__(self, name: str, port: serial.Serial, clock: Clock) -> None:
        self.name = name
        self._port = port
        self._clock = clock

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
                f"Serial port {self.name}: the port failed while {doing} ({error}).", hint=UNPLUGGED
            ) from error


def open_serial(port: str, clock: Clock) -> SerialLink:
    """Open a serial port for one program alone.

    Parameters
    ----------
    port : str
        Device name, or a URL that pyserial knows, such as ``spy:///dev/ttyACM0?file=bytes.txt``.
    clock : Clock
        The bench's clock.

    Raises
    ------
    LinkError
        There is no such port, it may not be opened, or another program holds it.
    ConfigError
        The URL is of no kind that pyserial knows.
    """
    try:
        opened = serial.serial_for_url(
            port,
            baudrate=BAUD,
            bytesize=serial.EIGHTBITS,
            parity=serial.PARITY_NONE,
            stopbits=serial.STOPBITS_ONE,
            timeout=0,
            write_timeout=LONGEST_BLOCK_S,
            exclusive=True,
        )
    except ValueError as error:
        raise ConfigError(
            f"Serial port {port}: not a port that can be opened ({error}).",
            hint="[board] port in the bench file is a device name such as /dev/ttyACM0.",
        ) from error
    except _FAILURES as error:
        what, hint = _why_not(port, error)
        raise LinkError(f"Serial port {port}: {what}.", hint=hint) from error
    return SerialLink(port, opened, clock)


def _why_not(port: str, error: Exception) -> tuple[str, str]:
    """Why a port could not be opened, in words, and what to check."""
    number = _error_number(error)
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
        return "another program holds it", "Close the other benchrig or terminal program; fuser shows which one it is."
    if number in (errno.ENOTTY, errno.EINVAL, errno.EISDIR):
        return (
            "it is not a serial port",
            f"Ports there are: {_ports()}. Then [board] port in the bench file.",
        )
    return f"cannot be opened ({error})", f"{UNPLUGGED} Ports there are: {_ports()}."


def _error_number(error: BaseException) -> int | None:
    if isinstance(error, OSError):
        return error.errno
    return int(error.args[0]) if isinstance(error, _FAILURES) else None


def _ports() -> str:
    return ", ".join(sorted(info.device for info in list_ports.comports())) or "none"
