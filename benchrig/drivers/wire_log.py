"""What went over the board's wire, one line a frame, in the notation of firmware_protocol/PROTOCOL.md."""

from __future__ import annotations

from typing import IO

from firmware_protocol import messages

__all__ = ["WireLog", "kind_name"]

_NAMES = {
    getattr(messages, name): name
    for name in (
        "HELLO",
        "STATUS",
        "ARM",
        "DISARM",
        "SET",
        "CLEAR",
        "READ",
        "CAPTURE",
        "PROGRESS",
        "BLOCK",
        "ABOUT",
        "SELF_TEST",
    )
}


class WireLog:
    r"""Writes each frame as it passes: seconds, direction, sequence number, message, body in hex.

    A log that cannot be written any more (disk full) stops, and says so in `stopped`; it never stops a run.

    Parameters
    ----------
    file : text file
        Opened for writing; stays open.

    Attributes
    ----------
    stopped : str
        Why the log stopped; empty while it runs.

    Examples
    --------
    >>> import sys
    >>> log = WireLog(sys.stdout)
    >>> log.frame(0.25, ">", 7, messages.SET, b"\x14")
        0.250000 > 07 SET       14
    >>> log.frame(0.2512, "<", 7, messages.REFUSED, bytes.fromhex("050800000000"))
        0.251200 < 07 REFUSED   050800000000
    >>> log.damaged(0.3, 2)
        0.300000 < -- damaged   2 pieces
    """

    def __init__(self, file: IO[str]) -> None:
        self.stopped = ""
        self._file = file

    def frame(self, at_s: float, direction: str, seq: int, kind: int, body: bytes) -> None:
        """Log one whole frame; `direction` is ``>`` from host to board and ``<`` back."""
        self._line(f"{at_s:12.6f} {direction} {seq:02x} {kind_name(kind):<9} {body.hex()}".rstrip())

    def damaged(self, at_s: float, pieces: int) -> None:
        """Log that so many pieces came from the board that were no frames."""
        self._line(f"{at_s:12.6f} < -- damaged   {pieces} piece{'' if pieces == 1 else 's'}")

    def _line(self, text: str) -> None:
        if self.stopped:
            return
        try:
            self._file.write(text + "\n")
            self._file.flush()
        except (OSError, ValueError) as error:  # ValueError: the file was closed
            self.stopped = str(error)


def kind_name(kind: int) -> str:
    """Name of a message; an answer has the name of its request."""
    if kind == messages.REFUSED:
        return "REFUSED"
    return _NAMES.get(kind & ~messages.ANSWER, f"kind {kind:02x}")
