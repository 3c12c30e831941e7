"""The measuring half of the simulated multimeter: ranges, apertures, errors within the specification, overload.

Not modelled: thermal voltages and their compensation, input capacitance, drift between calibrations, mains hum that
the aperture lets through, and the heating of the coil by the test current.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from simulators.noise import SampleNoise, within

__all__ = ["APERTURES_NPLC", "MAINS_HZ", "RANGES", "Ohmmeter", "Range", "Terminals"]

MAINS_HZ = 50.0
APERTURES_NPLC = (0.02, 0.2, 1.0, 10.0, 100.0)
OVER_RANGE = 1.2
"""A range measures up to 120 % of its name."""
DISTURBING_V = 0.5
"""A voltage on the terminals above this makes a resistance reading void."""
QUICK_LOOK_S = 1 / MAINS_HZ
"""What autoranging takes to choose a range."""
NOISE_STREAM, GAIN_STREAM, ZERO_STREAM = 200, 220, 240


class Terminals(Protocol):
    """What the meter's terminals are joined to."""

    def meter_ohm(self, wires: int) -> float:
        """Resistance between the terminals in ohms, leads included when measured with two wires; infinite when open."""

    def meter_volts(self) -> float:
        """Voltage that something else puts on the terminals."""


@dataclass(frozen=True)
class Range:
    """One range. Accuracy: gain_tolerance of the reading plus zero_tolerance_ohm. Noise: over one power-line cycle."""

    full_ohm: float
    gain_tolerance: float
    zero_tolerance_ohm: float
    noise_ohm: float
    settle_s: float


RANGES = (
    Range(10.0, 2e-4, 0.003, 1e-4, 0.003),
    Range(100.0, 2e-4, 0.004, 5e-4, 0.003),
    Range(1e3, 1e-4, 0.02, 3e-3, 0.003),
    Range(1e4, 1e-4, 0.2, 0.03, 0.003),
    Range(1e5, 1e-4, 2.0, 0.3, 0.005),
    Range(1e6, 1e-4, 20.0, 4.0, 0.025),
    Range(1e7, 5e-4, 200.0, 80.0, 0.12),
    Range(1e8, 1e-2, 1e4, 5e3, 0.6),
)


@dataclass
class _Aperture:
    """One reading under way: when the input is looked at, and what was seen."""

    quick: bool
    looks_s: list[float]
    done_s: float
    seen_ohm: list[float] = field(default_factory=list)
    disturbed: bool = False


class Ohmmeter:
    """Takes readings of what its terminals are really joined to, each over an aperture of time.

    Parameters
    ----------
    terminals : Terminals
        The world's end of the leads.
    seed : int
        Draws the noise.
    range_seed : int or None
        Draws the gain and zero errors of each range, inside the specification; None: `seed` does.
    gain, zero_ohm : float
        A further error on every range: of a meter that is out of its specification.
    on_disturbed : callable
        Called once for a reading that a voltage on the terminals made void.

    Attributes
    ----------
    wires : int
        2 or 4.
    range : Range
        The range in use.
    auto : bool
        Whether the range is chosen by a quick look before each reading.
    nplc : float
        Integration time in power-line cycles; auto-zero takes the same again.
    readings_ohm : list of float
        Readings since the last start; infinite for overload.
    """

    def __init__(
        self,
        terminals: Terminals,
        *,
        seed: int,
        range_seed: int | None = None,
        gain: float = 1.0,
        zero_ohm: float = 0.0,
        on_disturbed: Callable[[], None] = lambda: None,
    ) -> None:
        self._terminals = terminals
        self._more_gain, self._more_zero_ohm = gain, zero_ohm
        self._on_disturbed = on_disturbed
        self._noise = SampleNoise(seed, NOISE_STREAM)
        fixed = seed if range_seed is None else range_seed
        self._gain = {r: within(r.gain_tolerance, seed=fixed, stream=GAIN_STREAM + i) for i, r in enumerate(RANGES)}
        self._zero = {r: within(r.zero_tolerance_ohm, seed=fixed, stream=ZERO_STREAM + i) for i, r in enumerate(RANGES)}
        self._aperture: _Aperture | None = None
        self._left = 0
        self.readings_ohm: list[float] = []
        self.reset()

    def reset(self) -> None:
        """Two wires, autorange, 10 power-line cycles; nothing measured."""
        self.abort()
        self.wires = 2
        self.range = RANGES[2]
        self.auto = True
        self.nplc = 10.0

    def abort(self) -> None:
        """Break off, and forget the readings."""
        self._aperture = None
        self._left = 0
        self.readings_ohm = []

    @property
    def running(self) -> bool:
        """Whether readings are still to come."""
        return self._left > 0

    def start(self, now: float, samples: int) -> None:
        """Begin so many readings."""
        self.readings_ohm = []
        self._left = samples
        self._begin(now, quick=self.auto)

    def next_due(self) -> float | None:
        """Instant of the next look or the end of the reading; None when nothing runs."""
        if self._aperture is None:
            return None
        return self._aperture.looks_s[0] if self._aperture.looks_s else self._aperture.done_s

    def tick(self, now: float) -> None:
        """Do what is due. The world must stand at `now`."""
        while self._aperture is not None and (due := self.next_due()) is not None and due <= now:
            if self._aperture.looks_s:
                self._aperture.looks_s.pop(0)
                self._look(self._aperture)
            elif self._aperture.quick:
                self.range = _smallest(max(self._aperture.seen_ohm))
                self._begin(due, quick=False)
            else:
                self.readings_ohm.append(self._reading(self._aperture))
                self._left -= 1
                self._aperture = None
                if self._left:
                    self._begin(due, quick=self.auto)

    def _begin(self, now: float, *, quick: bool) -> None:
        aperture_s = QUICK_LOOK_S if quick else self.nplc / MAINS_HZ
        start = now + self.range.settle_s
        end = start + aperture_s
        looks_s = [end] if quick else [start, (start + end) / 2, end]
        self._aperture = _Aperture(quick, looks_s, end if quick else end + aperture_s)

    def _look(self, aperture: _Aperture) -> None:
        aperture.disturbed |= abs(self._terminals.meter_volts()) > DISTURBING_V
        aperture.seen_ohm.append(self._terminals.meter_ohm(self.wires))

    def _reading(self, aperture: _Aperture) -> float:
        if aperture.disturbed:
            self._on_disturbed()
            return math.inf
        if max(aperture.seen_ohm) > OVER_RANGE * self.range.full_ohm:
            return math.inf
        noise = self._noise.one(round(aperture.done_s * 1e6)) * self.range.noise_ohm / math.sqrt(self.nplc)
        mean = sum(aperture.seen_ohm) / len(aperture.seen_ohm) * self._more_gain + self._more_zero_ohm
        return mean * (1 + self._gain[self.range]) + self._zero[self.range] + noise


def _smallest(ohm: float) -> Range:
    """Range that autoranging takes: the smallest that holds the value."""
    return next((r for r in RANGES if ohm <= OVER_RANGE * r.full_ohm), RANGES[-1])
