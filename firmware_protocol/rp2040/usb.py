"""USB serial as plain bytes: nothing translated, and no call that waits for the host.

Ctrl-C must have been made an ordinary byte before (``micropython.kbd_intr(-1)``). The ``buffer`` of the standard
streams translates no line ends (from memory).
"""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

__all__ = ["MOST_AT_ONCE", "PIECE", "UsbSerial"]

MOST_AT_ONCE = 64  # bytes taken in by one turn of the loop: requests have 30 at most
PIECE = 32  # bytes sent by one turn of the loop


class UsbSerial:
    """Two-way pipe over the board's standard streams.

    What cannot be sent yet is kept. While anything is kept nothing more is taken in: memory stays bounded by the
    answers to `MOST_AT_ONCE` bytes, and a host that does not listen goes silent in the board's eyes.

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
        """Bytes that have come in, without waiting for any."""
        data = b""
        while not self._kept and len(data) < MOST_AT_ONCE and self._ready_to_read():
            data += self._stdin.read(1)
        return data

    def send(self, data: bytes) -> None:
        """Queue bytes, and send a piece if the host takes one."""
        self._kept += data
        if self._kept and self._ready_to_write():
            self._stdout.write(self._kept[:PIECE])
            self._kept = self._kept[PIECE:]
