"""What the bench asks of a multimeter, and the table of the dialects that it can speak.

A meter of another dialect is a driver in this folder that keeps to `Meter`, and a line in `METERS`; its bench file says
``driver = "..."`` in ``[meter]``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Literal, Protocol

from benchrig.clock import Clock
from benchrig.drivers.links import TextLink
from benchrig.drivers.multimeter import Multimeter

__all__ = ["METERS", "USUAL", "Meter"]


class Meter(Protocol):
    """One multimeter that measures the resistance of a coil. Whoever calls it feeds the board meanwhile."""

    meanwhile: Callable[[], None] | None
    """Called while a slow instrument is waited for; the bench puts its own in."""

    def identify(self) -> str:
        """Maker, model, serial number and firmware, with commas between. Raises LinkError."""

    def set_up_resistance(self, wires: Literal[2, 4], range_ohm: float, nplc: float) -> None:
        """Set it to measure resistance, and make sure that it is. Raises DeviceError or LinkError."""

    def start(self) -> None:
        """Start one reading."""

    def ready(self) -> bool:
        """Whether the reading is complete; returns at once."""

    def fetch(self) -> float:
        """Ohms; infinity when the circuit is open or beyond the range."""

    def close(self) -> None:
        """Give the link back."""


USUAL = "scpi"
METERS: Mapping[str, Callable[[TextLink, Clock], Meter]] = MappingProxyType({USUAL: Multimeter})
"""Dialect, as the bench file names it, to driver."""
