"""MicroPython's prompt in its raw mode: a program in, what it printed out. So files get onto a board without firmware.

As MicroPython's own manual has it ("The MicroPython Interactive Interpreter Mode", from memory): Ctrl-A opens the raw
mode, a program ends with Ctrl-D and is answered by ``OK``, what it printed, Ctrl-D, its traceback, Ctrl-D and ``>``;
Ctrl-B closes it.
"""

from __future__ import annotations

from benchrig.clock import Clock
from benchrig.drivers.links import LONGEST_BLOCK_S, ByteLink
from benchrig.errors import DeviceError, LinkError, LinkTimeout

__all__ = ["RawPrompt"]

_OPENED = b"raw REPL; CTRL-B to exit\r\n>"
_OPEN, _CLOSE, _STOP, _END = b"\x01", b"\x02", b"\x03", b"\x04"
OPENING_S = 1.0
PIECE = 64
"""A packet of full-speed USB. The board takes the next one when it has room; one behind a UART has to keep up."""
UNPLUGGED = "Is the USB cable plugged in at both ends? Does another program use this port?"


class RawPrompt:
    """The prompt of one board.

    Parameters
    ----------
    link : ByteLink
        The way to it, used by nobody else.
    clock : Clock
        The clock of the link's deadlines.
    """

    def __init__(self, link: ByteLink, clock: Clock) -> None:
        self._link = link
        self._clock = clock
        self._unread = b""

    @property
    def name(self) -> str:
        """Name of the link."""
        return self._link.name

    def open(self) -> bool:
        """End what runs (Ctrl-C) and open the raw mode. False if no prompt answers."""
        for _ in range(2):  # the first may only have ended what ran
            self._write(b"\r" + _STOP + _STOP)
            self._drop(0.1)
            self._write(b"\r" + _OPEN)
            if self._until(_OPENED, OPENING_S) is not None:
                return True
        return False

    def run(self, program: str, *, within_s: float = 5.0) -> str:
        """Run a program on the board and return what it printed.

        Raises
        ------
        DeviceError
            It ended with an exception; the message has the traceback's last line.
        LinkTimeout
            It did not end in time.
        LinkError
            The board has gone.
        """
        source = program.encode("ascii")
        for at in range(0, len(source), PIECE):
            self._write(source[at : at + PIECE])
        self._write(_END)
        for wanted in (b"OK", _END, _END, b">"):
            found = self._until(wanted, within_s)
            if found is None:
                raise LinkTimeout(f"{self.name}: the board's prompt did not answer for {within_s:g} s.", hint=UNPLUGGED)
            if wanted == b"OK":
                parts: list[bytes] = []
            else:
                parts.append(found)
        printed, traceback = (part.decode("utf-8", "replace").replace("\r\n", "\n") for part in parts[:2])
        if traceback.strip():
            last = traceback.strip().splitlines()[-1]
            raise DeviceError(f"{self.name}: the board's MicroPython says: {last}.")
        return printed

    def close(self) -> None:
        """Close the raw mode, and leave the board at its prompt."""
        self._write(_CLOSE)

    def start_again(self) -> None:
        """Close the raw mode and start the board's programs anew (a soft reset: the port stays)."""
        self._write(_CLOSE)
        self._drop(0.1)
        self._write(_END)

    def _until(self, wanted: bytes, within_s: float) -> bytes | None:
        """What comes before `wanted`; None if that does not come in time. What follows it is kept."""
        deadline = self._clock.now() + within_s
        while wanted not in self._unread:
            now = self._clock.now()
            if now >= deadline:
                return None
            self._unread += self._read(min(deadline, now + LONGEST_BLOCK_S))
        before, _, self._unread = self._unread.partition(wanted)
        return before

    def _drop(self, for_s: float) -> None:
        deadline = self._clock.now() + for_s
        while self._clock.now() < deadline:
            self._read(deadline)
        self._unread = b""

    def _read(self, deadline: float) -> bytes:
        try:
            return self._link.read(deadline)
        except OSError as error:
            raise self._lost(error) from error

    def _write(self, data: bytes) -> None:
        try:
            self._link.write(data)
        except OSError as error:
            raise self._lost(error) from error

    def _lost(self, error: OSError) -> LinkError:
        return LinkError(f"{self.name}: the port failed ({error}).", hint=UNPLUGGED)
