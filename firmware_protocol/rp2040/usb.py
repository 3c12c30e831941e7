"""USB serial as plain bytes: nothing translated, and no call that waits for the host.

Ctrl-C must have been made an ordinary byte before (``micropython.kbd_intr(-1)``). The ``buffer`` of the standard
streams translates no line ends (from memory).
"""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

__all__ = ["MOST_AT_ONCE", "PIECE", "SENT_AT_ONCE", "UsbSerial"]

MOST_AT_ONCE = 64  # bytes taken in by one turn of the loop: requests have 30 at most
PIECE = 64  # bytes given to the USB serial driver in one call: a packet of full speed
SENT_AT_ONCE = 256  # bytes sent by one turn of the loop, a little over 2 ms: a block of 1 kB takes five turns


class UsbSerial:
    """Two-way pipe over the board's standard streams.

    What cannot be sent yet is kept. While anything is kept nothing more is taken in: memory stays bounded by one
    answer, and a host that does not listen goes silent in the board's eyes.

    Parameters
    ----------
    stdin, stdout : binary streams
        ``sys.stdin.buffer`` and ``sys.stdout.buffer``.
    ready_to_read, ready_to_write : callable
        Whether a byte can be read, or written, without waiting.
    """

    def __init__(self, stdin: "Any", stdout: "Any", ready_to_read: "Any", ready_to_write: "Any") -> None:
        self._stdin = stdin
        self._stdout = stdout
        self._ready_to_read = ready_to_read
        self._ready_to_write = ready_to_write
        self._kept = b""

    def arrived(self) -> bytes:
        """Bytes that have come in, up to the end of a frame, without waiting for any.

        What comes after it waits for the next turn, so that no turn has more than one request to carry out.
        """
        data = b""
        while not self._kept and len(data) < MOST_AT_ONCE and self._ready_to_read():
            byte = self._stdin.read(1)
            data += byte
            if byte == b"\0":
                break
        return data

    def send(self, data: bytes) -> None:
        """Queue bytes, and send as many as the host takes, `SENT_AT_ONCE` at most."""
        self._kept += data
        sent = 0
        while self._kept and sent < SENT_AT_ONCE and self._ready_to_write():
            written = self._stdout.write(self._kept[:PIECE])
            if not written:  # the host stopped taking them in the middle of it
                break
            self._kept = self._kept[written:]
            sent += written
