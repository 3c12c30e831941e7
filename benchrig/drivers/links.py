"""What a link is. Drivers talk to these two small protocols; serial ports, VISA sessions and the simulator provide them."""

from __future__ import annotations

from typing import Protocol

__all__ = ["ByteLink", "TextLink"]


class ByteLink(Protocol):
    """A pipe of bytes to one device. All times are instants on the bench's clock.

    `write` and `read` raise `OSError` (or a subclass) or `benchrig.errors.LinkError` when the device is gone.
    """

    name: str

    def write(self, data: bytes) -> None:
        """Send all of `data`."""

    def read(self, deadline: float) -> bytes:
        """Return what has arrived, waiting for at least one byte; ``b""`` once the deadline has passed."""

    def close(self) -> None:
        """Give the port back. Safe to repeat."""


class TextLink(Protocol):
    """A pipe of lines to one instrument, terminators left to the link."""

    name: str

    def write(self, line: str) -> None:
        """Send one line."""

    def read(self, deadline: float) -> str | None:
        """Return the next whole line without its terminator, or None once the deadline has passed.

        After a None the session is dirty: a late answer may still arrive. `reopen` before asking again.
        """

    def reopen(self) -> None:
        """Close and open again, dropping whatever was on its way."""

    def close(self) -> None:
        """Give the session back. Safe to repeat."""
