"""Volts at the board's pins to amperes, pascals, volts and kelvins.

Each constant of the bench is a small frozen dataclass; a scale has its standard uncertainty beside it, that of the
constant alone: noise and the steps of the converter belong to the reading. The conversions take one number or an array
and give back the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import overload

import numpy as np

from benchrig.analysis.results import Samples

__all__ = ["Divider", "Shunt", "Thermistor", "Transducer"]

T25_K = 298.15
"""25 degC, at which thermistors state their resistance."""


@dataclass(frozen=True)
class Shunt:
    """Coil current to volts at the pin.

    Attributes
    ----------
    volts_per_amp : float
        Shunt resistance times amplifier gain, V/A.
    u_relative : float
        Relative standard uncertainty of `volts_per_amp`.
    """

    volts_per_amp: float
    u_relative: float = 0.0

    @overload
    def current_a(self, pin_v: float) -> float: ...
    @overload
    def current_a(self, pin_v: Samples) -> Samples: ...
    def current_a(self, pin_v: float | Samples) -> float | Samples:
        """Coil current in amperes; `pin_v` in volts, a number or an array of any shape.

        Examples
        --------
        >>> Shunt(volts_per_amp=2.0).current_a(1.1)
        0.55
        """
        return pin_v / self.volts_per_amp


@dataclass(frozen=True)
class Transducer:
    """Absolute pressure to volts at the pin: a straight line.

    Attributes
    ----------
    offset_v : float
        Volts at the pin at 0 Pa absolute.
    volts_per_pa : float
        Slope, V/Pa.
    """

    offset_v: float
    volts_per_pa: float

    @overload
    def pressure_pa(self, pin_v: float) -> float: ...
    @overload
    def pressure_pa(self, pin_v: Samples) -> Samples: ...
    def pressure_pa(self, pin_v: float | Samples) -> float | Samples:
        """Absolute pressure in pascals; `pin_v` in volts, a number or an array of any shape.

        Volts below the offset give a negative pressure: the sign of a broken wire, left to the caller.

        Examples
        --------
        >>> round(Transducer(offset_v=0.2, volts_per_pa=25e-6).pressure_pa(2.7), 6)
        100000.0
        """
        return (pin_v - self.offset_v) / self.volts_per_pa


@dataclass(frozen=True)
class Divider:
    """Supply volts to volts at the pin.

    Attributes
    ----------
    ratio : float
        Supply volts over pin volts.
    u_relative : float
        Relative standard uncertainty of `ratio`.
    """

    ratio: float
    u_relative: float = 0.0

    @overload
    def supply_v(self, pin_v: float) -> float: ...
    @overload
    def supply_v(self, pin_v: Samples) -> Samples: ...
    def supply_v(self, pin_v: float | Samples) -> float | Samples:
        """Supply in volts; `pin_v` in volts, a number or an array of any shape.

        Examples
        --------
        >>> Divider(ratio=6.0).supply_v(2.25)
        13.5
        """
        return pin_v * self.ratio


@dataclass(frozen=True)
class Thermistor:
    """NTC thermistor from the pin to ground under a pull-up resistor, by the beta model.

    R = R25 exp(B (1/T - 1/298.15 K)); good to about 0.5 K near room temperature (common practice, no source).

    Attributes
    ----------
    r25_ohm : float
        Resistance at 25 degC, ohm.
    beta_k : float
        B, kelvin.
    pull_up_ohm, pull_up_v : float
        The resistor and the volts that it pulls up to.
    """

    r25_ohm: float
    beta_k: float
    pull_up_ohm: float
    pull_up_v: float

    @overload
    def temperature_k(self, pin_v: float) -> float: ...
    @overload
    def temperature_k(self, pin_v: Samples) -> Samples: ...
    def temperature_k(self, pin_v: float | Samples) -> float | Samples:
        """Temperature in kelvins; `pin_v` in volts, a number or an array of any shape.

        NaN where no resistance fits: at or below 0 V (shorted), and at or above the pull-up's volts (broken wire).

        Examples
        --------
        >>> ntc = Thermistor(r25_ohm=10_000.0, beta_k=3950.0, pull_up_ohm=10_000.0, pull_up_v=3.3)
        >>> round(ntc.temperature_k(1.65), 6), ntc.temperature_k(3.3)
        (298.15, nan)
        """
        volts = np.asarray(pin_v, dtype=np.float64)
        fits = (volts > 0.0) & (volts < self.pull_up_v)
        inside_v = np.where(fits, volts, 0.5 * self.pull_up_v)
        ohm = self.pull_up_ohm * inside_v / (self.pull_up_v - inside_v)
        kelvin = 1.0 / (1.0 / T25_K + np.log(ohm / self.r25_ohm) / self.beta_k)
        answer = np.where(fits, kelvin, np.nan)
        return answer if isinstance(pin_v, np.ndarray) else float(answer)
