"""Who stands at the bench while it is checked or calibrated: told what to connect, one thing at a time, and asked."""

from __future__ import annotations

from enum import Enum
from typing import Protocol

from benchrig.bench.bench import Bench
from benchrig.errors import BenchError

__all__ = ["Fitting", "Hands", "Operator", "Silent", "Unattended", "put_on"]


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
    SOUND_VALVE = "sound-valve"
    VACUUM_GAUGE = "vacuum-gauge"


class Operator(Protocol):
    """A person with a screen, or the simulated bench that does by itself what it is told."""

    def connect(self, fitting: Fitting) -> None:
        """Say what to connect; return when that is done. May take minutes."""

    def now(self, fitting: Fitting) -> None:
        """Say what to do at this moment and return at once; the program sees by itself when it has happened."""

    def read(self, what: str, unit: str) -> float:
        """Ask for a reading of a reference instrument: ``barometer``, ``vacuum gauge`` in kPa, ``voltmeter`` in V.

        May take minutes.

        Called with the bench as it stands: the board must be fed by whoever waits, so `Bench.feed` is called meanwhile.
        """

    def doing(self, what: str, done_s: float, expected_s: float, reading: str) -> None:
        """Show what the bench does meanwhile. Must return quickly."""


class Hands(Protocol):
    """What a registered bench offers that can connect things to itself."""

    def connect(self, fitting: str) -> None:
        """Put something in the valve's place."""

    def read(self, what: str) -> float:
        """What a person would read from a reference instrument."""


class Silent:
    """The simulated bench by itself, with nobody looking."""

    def __init__(self, hands: Hands) -> None:
        self._hands = hands

    def connect(self, fitting: Fitting) -> None:
        """Have it connected."""
        self._hands.connect(Fitting.BLIND.value if fitting is Fitting.VESSEL else fitting.value)

    def now(self, fitting: Fitting) -> None:
        """Have it done at once."""
        self._hands.connect(fitting.value)

    def read(self, what: str, unit: str) -> float:
        """Have it read."""
        return self._hands.read(what)

    def doing(self, what: str, done_s: float, expected_s: float, reading: str) -> None:
        """Show nothing."""


def put_on(bench: Bench, operator: Operator, fitting: Fitting, coil_limit_s: float) -> None:
    """Have something connected, with the bench disarmed while hands are on it, and arm again."""
    bench.make_safe()
    operator.connect(fitting)
    bench.arm(coil_limit_s)
