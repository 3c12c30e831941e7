"""Volts at the board's pins to amperes, pascals, volts and kelvins.

Each constant of the bench is a small frozen dataclass with its standard uncertainty beside it. The functions take one
number or an array and give back the same. Uncertainties are those of the constants alone; noise and the steps of the
converter belong to the reading (`quantisation_u_v`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import overload

import numpy as np

from benchrig.analysis.results import Samples

__all__ = [
    "Divider",
    "Shunt",
    "Thermistor",
    "Transducer",
    "current_a",
    "current_u_a",
    "pressure_pa",
    "quantisation_u_v",
    "supply_u_v",
    "supply_v",
    "temperature_k",
]

T25_K = 298.15
"""25 degC, at which thermistors state their resistance."""


@dataclass(frozen=True)
class Shunt:
    """Coil current to volts at the pin: shunt resistance times gain, and its relative standard uncertainty."""

    volts_per_amp: float
    u_relative: float = 0.0


@dataclass(frozen=True)
class Transducer:
    """Absolute pressure to volts at the pin: a straight line, and the standard uncertainty of the pressure it gives."""

    offset_v: float
    volts_per_pa: float
    u_pa: float = 0.0


@dataclass(frozen=True)
class Divider:
    """Supply volts to volts at the pin: `ratio` is supply over pin, with its relative standard uncertainty."""

    ratio: float
    u_relative: float = 0.0


@dataclass(frozen=True)
class Thermistor:
    """NTC thermistor from the pin to ground under a pull-up resistor.

    The beta model, R = R25 exp(B (1/T - 1/298.15 K)), is good to about 0.5 K near room temperature (common practice,
    no source); `u_k` is to cover that too.
    """

    r25_ohm: float
    beta_k: float
    pull_up_ohm: float
    pull_up_v: float
    u_k: float = 0.0


@overload
def current_a(pin_v: float, shunt: Shunt) -> float: ...
@overload
def current_a(pin_v: Samples, shunt: Shunt) -> Samples: ...
def current_a(pin_v: float | Samples, shunt: Shunt) -> float | Samples:
    """Coil current.

    Parameters
    ----------
    pin_v : float or ndarray, any shape
        Volts at the pin.
    shunt : Shunt
        Volts per ampere.

    Returns
    -------
    float or ndarray, shape of `pin_v`
        Current in amperes.

    Examples
    --------
    >>> current_a(1.1, Shunt(volts_per_amp=2.0))
    0.55
    """
    return pin_v / shunt.volts_per_amp


def current_u_a(amps: float, shunt: Shunt) -> float:
    """Standard uncertainty in amperes that the shunt's constant gives to a current of `amps`.

    Examples
    --------
    >>> current_u_a(-0.5, Shunt(volts_per_amp=2.0, u_relative=0.004))
    0.002
    """
    return abs(amps) * shunt.u_relative


@overload
def pressure_pa(pin_v: float, transducer: Transducer) -> float: ...
@overload
def pressure_pa(pin_v: Samples, transducer: Transducer) -> Samples: ...
def pressure_pa(pin_v: float | Samples, transducer: Transducer) -> float | Samples:
    """Absolute pressure.

    Parameters
    ----------
    pin_v : float or ndarray, any shape
        Volts at the pin. Volts below the offset give a negative pressure: a sign of a broken wire, left to the caller.
    transducer : Transducer
        Offset and slope.

    Returns
    -------
    float or ndarray, shape of `pin_v`
        Absolute pressure in pascals.

    Examples
    --------
    >>> round(pressure_pa(2.7, Transducer(offset_v=0.2, volts_per_pa=25e-6)), 6)
    100000.0
    """
    return (pin_v - transducer.offset_v) / transducer.volts_per_pa


@overload
def supply_v(pin_v: float, divider: Divider) -> float: ...
@overload
def supply_v(pin_v: Samples, divider: Divider) -> Samples: ...
def supply_v(pin_v: float | Samples, divider: Divider) -> float | Samples:
    """Volts of the coil supply, `pin_v` being those behind the divider.

    Examples
    --------
    >>> supply_v(2.25, Divider(ratio=6.0))
    13.5
    """
    return pin_v * divider.ratio


def supply_u_v(volts: float, divider: Divider) -> float:
    """Standard uncertainty in volts that the divider's constant gives to a supply of `volts`.

    Examples
    --------
    >>> round(supply_u_v(13.5, Divider(ratio=6.0, u_relative=0.005)), 6)
    0.0675
    """
    return abs(volts) * divider.u_relative


@overload
def temperature_k(pin_v: float, thermistor: Thermistor) -> float: ...
@overload
def temperature_k(pin_v: Samples, thermistor: Thermistor) -> Samples: ...
def temperature_k(pin_v: float | Samples, thermistor: Thermistor) -> float | Samples:
    """Temperature of the thermistor by the beta model.

    Parameters
    ----------
    pin_v : float or ndarray, any shape
        Volts at the pin.
    thermistor : Thermistor
        Constants of the thermistor and its pull-up.

    Returns
    -------
    float or ndarray, shape of `pin_v`
        Kelvins; NaN where no resistance fits, that is at or below 0 V (shorted) and at or above the pull-up's volts
        (broken wire).

    Examples
    --------
    >>> ntc = Thermistor(r25_ohm=10_000.0, beta_k=3950.0, pull_up_ohm=10_000.0, pull_up_v=3.3)
    >>> round(temperature_k(1.65, ntc), 6), temperature_k(3.3, ntc)
    (298.15, nan)
    """
    volts = np.asarray(pin_v, dtype=np.float64)
    fits = (volts > 0.0) & (volts < thermistor.pull_up_v)
    inside_v = np.where(fits, volts, 0.5 * thermistor.pull_up_v)
    ohm = thermistor.pull_up_ohm * inside_v / (thermistor.pull_up_v - inside_v)
    kelvin = 1.0 / (1.0 / T25_K + np.log(ohm / thermistor.r25_ohm) / thermistor.beta_k)
    answer = np.where(fits, kelvin, np.nan)
    return answer if isinstance(pin_v, np.ndarray) else float(answer)


def quantisation_u_v(bits: int, full_scale_v: float) -> float:
    """Standard uncertainty in volts of one sample from the converter's step: step / sqrt(12) (JCGM 100:2008, F.2.2.1).

    Examples
    --------
    >>> round(1e6 * quantisation_u_v(12, 3.3), 1)
    232.6
    """
    return full_scale_v / 2.0**bits / math.sqrt(12.0)
