"""Who stands at the bench while it is checked or calibrated: told what to connect, one thing at a time, and asked."""

from __future__ import annotations

from enum import Enum
from typing import Protocol

from benchrig.bench.bench import Bench
from benchrig.errors import BenchError

__all__ = ["Fitting", "Guide", "Unattended", "put_on"]


class Unattended(BenchError):
    """Nobody is there to connect or read what was asked for: this says nothing about the bench."""


class Fitting(Enum):
    """What stands in the valve's place, on the plug or on the port."""

    VALVE = "valve"
    SHORT = "shorted-leads"
    RESISTOR = "reference-resistor"
    BLIND = "blind-plug"
    OPEN = "open-port"
    VESSEL = "known-volume"


class Guide(Protocol):
    """A person with a screen, or the simulated bench that does by itself what it is told."""

    def connect(self, fitting: Fitting) -> None:
        """Say what to connect; return when that is done. May take minutes."""

    def now(self, fitting: Fitting) -> None:
        """Say what to do at this moment and return at once; the program sees by itself when it has happened."""

    def read(self, what: str, unit: str) -> float:
        """Ask for a reading of a reference instrument: ``barometer`` in kPa, ``voltmeter`` in V. May take minutes.

        Called with the bench as it stands: the board must be fed by whoever waits, so `Bench.feed` is called meanwhile.
        """

    def doing(self, what: str, done_s: float, expected_s: float, reading: str) -> None:
        """Show what the bench does meanwhile. Must return quickly."""


def put_on(bench: Bench, guide: Guide, fitting: Fitting, coil_limit_s: float) -> None:
    """Have something connected, with the bench disarmed while hands are on it, and arm again."""
    bench.make_safe()
    guide.connect(fitting)
    bench.arm(coil_limit_s)
