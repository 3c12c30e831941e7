"""What a link is. Drivers talk to these two small protocols; serial ports, VISA sessions and the simulator keep them.

A driver may wait in slices: what has arrived of an unfinished line stays in the link when a deadline passes, and the
next `read` goes on from there.
"""

from __future__ import annotations

from typing import Protocol

__all__ = ["LONGEST_BLOCK_S", "ByteLink", "TextLink"]

LONGEST_BLOCK_S = 0.2
"""No call to a driver blocks longer than this without letting the bench breathe. The board's host-silent limit is to be
at least four times as long. Only a board that does not answer holds a call up for longer (`exchange.TRIES`): the frames
repeated meanwhile are themselves what keeps it fed."""


class ByteLink(Protocol):
    """A pipe of bytes to one device. All times are instants on the bench's clock.

    `write` and `read` raise `OSError` (or a subclass) or `benchrig.errors.LinkError` when the device is gone. A byte
    link that died stays dead: what the board did meanwhile is not known, so a run does not go on over a reopened port.
    """

    name: str

    def write(self, data: bytes) -> None:
        """Send all of `data`."""

    def read(self, deadline: float) -> bytes:
        """Return what has arrived, waiting for at least one byte; ``b""`` once the deadline has passed."""

    def close(self) -> None:
        """Give the port back. Safe to repeat."""


class TextLink(Protocol):
    """A pipe of lines to one instrument, terminators left to the link. Raises as `ByteLink` does."""

    name: str

    def write(self, line: str) -> None:
        """Send one line."""

    def read(self, deadline: float) -> str | None:
        """Return the next whole line without its terminator, or None once the deadline has passed.

        After a None, `read` again to go on waiting. Giving up leaves the session dirty, since the late answer may still
        arrive: `reopen` before asking again.
        """

    def reopen(self) -> None:
        """Close and open again, dropping whatever was on its way."""

    def close(self) -> None:
        """Give the session back. Safe to repeat."""
