"""Values that no coil and no reservoir can have: another unit, gauge pressure, a probe that is cut off. All refused."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Final

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.errors import ConfigError

__all__ = ["check_traced_current", "check_traced_pressure", "check_traced_voltage"]

MOST_A: Final = 20.0
TINY_A: Final = 0.01
"""A coil that takes so little moves nothing: with a clean curve below it the unit is wrong."""
CLEAN: Final = 50.0
"""A curve is clean when it reaches over so many times its noise."""
MOST_V: Final = 100.0
LEAST_PA: Final = 2_000.0
"""No small pump leaves less."""
UNITS: Final = (
    ("kPa", 1e3),
    ("hPa (mbar)", 1e2),
    ("bar", 1e5),
    ("mmHg", 133.322),
    ("psi", 6894.76),
    ("inHg", 3386.39),
    ("MPa", 1e6),
)
CLIPPED_RUN: Final = 10
CUT_OFF: Final = 0.1
"""A curve that was still going to rise or fall by more than this part of its reach was cut off."""


def check_traced_current(path: Path, current_a: Samples) -> None:
    """Refuse a coil's current that is not in amperes, or clipped. Raises ConfigError."""
    _not_clipped(path, "current_a", current_a, natural=0.0)
    largest = int(np.argmax(np.abs(current_a)))
    most_a = abs(float(current_a[largest]))
    if most_a > MOST_A:
        raise ConfigError(
            f"{path}: line {largest + 2}, column current_a: {current_a[largest]:g} A; such a coil takes under 2 A.",
            hint="Is the column in milliamperes, or in volts across a shunt? Convert it to amperes.",
        )
    reach_a = float(np.ptp(current_a))
    if most_a < TINY_A and reach_a > CLEAN * _noise(current_a):
        raise ConfigError(
            f"{path}: line {largest + 2}, column current_a: {most_a:.3g} A at most, yet a clean curve; such a coil "
            "takes 0.1 to 2 A.",
            hint="Is the column in kiloamperes, or in volts across a shunt? Convert it to amperes.",
        )


def check_traced_voltage(path: Path, voltage_v: Samples, current_a: Samples) -> None:
    """Refuse a coil's voltage that is not in volts. Raises ConfigError."""
    largest = int(np.argmax(np.abs(voltage_v)))
    most_v = abs(float(voltage_v[largest]))
    if most_v > MOST_V:
        raise ConfigError(
            f"{path}: line {largest + 2}, column voltage_v: {voltage_v[largest]:g} V; such a coil has 6 to 30 V.",
            hint="Is the column in millivolts? Convert it to volts. Is it a spike at the release? Clamp it.",
        )
    if most_v < 0.5 and float(np.max(np.abs(current_a))) > 0.05:
        raise ConfigError(
            f"{path}: line {largest + 2}, column voltage_v: {most_v:.3g} V at most, while current flows.",
            hint="Is the column in kilovolts, or the probe's divider not set? Convert it to volts.",
        )


def check_traced_pressure(path: Path, pressure_pa: Samples, *, ambient_pa: float) -> None:
    """Refuse a pressure that is not absolute, not in pascals, or clipped. Raises ConfigError."""
    lowest, highest = int(np.argmin(pressure_pa)), int(np.argmax(pressure_pa))
    low, high = float(pressure_pa[lowest]), float(pressure_pa[highest])
    if low < 0:
        raise ConfigError(
            f"{path}: line {lowest + 2}, column pressure_pa: {low:g}; an absolute pressure cannot be negative.",
            hint="This looks like gauge pressure: add the ambient pressure to every value.",
        )
    if high < LEAST_PA:
        fits = [unit for unit, factor in UNITS if 0.1 * ambient_pa < high * factor < 1.1 * ambient_pa]
        raise ConfigError(
            f"{path}: line {highest + 2}, column pressure_pa: at most {high:g}; a pump leaves over {LEAST_PA:,.0f} Pa.",
            hint=f"This looks like {' or '.join(fits)}: convert the column to pascals."
            if fits
            else "Is the column absolute pressure in pascals? Is it vacuum below ambient, or volts of the transducer?",
        )
    if high > 1.05 * ambient_pa:
        thousand = 0.1 * ambient_pa < high / 1000.0 < 1.1 * ambient_pa
        raise ConfigError(
            f"{path}: line {highest + 2}, column pressure_pa: {high:g} Pa is above the ambient {ambient_pa:.0f} Pa.",
            hint="The values are a thousand times what is possible: is the column in millipascals?"
            if thousand
            else "Check --ambient-kpa, and that the column is absolute pressure in pascals.",
        )
    tenth = max(len(pressure_pa) // 10, 1)
    began, ended = float(pressure_pa[:tenth].mean()), float(pressure_pa[-tenth:].mean())
    if ended < 0.8 * began and ended < 0.2 * ambient_pa:
        raise ConfigError(
            f"{path}: column pressure_pa falls from {began:.0f} (line 2) to {ended:.0f} (last line); "
            "with the pump shut off an absolute pressure only rises.",
            hint="This looks like vacuum below ambient (gauge): the absolute pressure is ambient less that.",
        )
    _not_clipped(path, "pressure_pa", pressure_pa, natural=ambient_pa)


def _not_clipped(path: Path, name: str, values: Samples, *, natural: float) -> None:
    """Refuse a curve that runs into its extreme and then stands exactly still, though it had further to go.

    How far it had to go is told by three points before the stand: an exponential through them ends where Aitken's
    formula says (a text on numerical analysis). A curve that settles by itself ends at its extreme, however coarse the
    converter. `natural` is where such a curve may well end: no current behind a diode, ambient pressure.
    """
    reach = float(np.ptp(values))
    steps = np.abs(np.diff(values))
    step = float(steps[steps > 0].min()) if np.any(steps > 0) else 0.0
    enough = max(CUT_OFF * reach, 2.5 * step)  # the last code of a coarse converter is held for long by a slow curve
    for extreme, sign in ((float(values.max()), 1.0), (float(values.min()), -1.0)):
        if abs(extreme - natural) < 0.05 * reach:
            continue
        at = values == extreme
        edges = np.flatnonzero(np.diff(np.concatenate(([False], at, [False])).astype(np.int8)))
        starts, ends = edges[::2], edges[1::2]
        for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
            run = end - start
            before = sign * values[:start]
            came = start > 0 and sign * extreme - float(before.min()) > 0.3 * reach
            if run >= CLIPPED_RUN and came and _had_to_go(before, sign * extreme, run) > enough:
                raise ConfigError(
                    f"{path}: line {start + 2}, column {name}: runs into {extreme:g} and stays exactly there for "
                    f"{run} samples: clipped by the converter.",
                    hint="Set a larger range on the instrument and record again.",
                )


def _had_to_go(before: Samples, top: float, run: int) -> float:
    """How far beyond the top a rising curve would have gone within so many samples."""
    if len(before) < 3:
        return 0.0
    reach = top - float(before.min())
    far = np.flatnonzero(before < top - 0.4 * reach)
    stride = (len(before) - int(far[-1])) // 2 if len(far) else 0  # the last four tenths of the way, in two halves
    if stride < 2:
        first, second, last = before[-3:].tolist()  # all in a few samples: the last three themselves
        stride = 1
    else:
        width = max(1, stride // 4)
        ends = [len(before) - 2 * stride, len(before) - stride, len(before)]
        first, second, last = (float(np.mean(before[max(0, end - width) : end])) for end in ends)
    went, goes = float(second - first), float(last - second)
    if goes <= 0.0:
        return 0.0
    straight = goes / stride * run
    if went <= 0.0:
        # It came in one step, and nothing is known of how it slows down.
        return straight if top - last > 0.1 * reach else 0.0
    if goes >= 0.95 * went:
        return straight
    ratio = goes / went
    return min(straight, float(last) + goes * ratio / (1.0 - ratio) - top)


def _noise(values: Samples) -> float:
    """Standard deviation of white noise, from second differences (their variance is six times that of the noise)."""
    second = np.diff(values, 2)
    return float(1.48 * np.median(np.abs(second - np.median(second))) / math.sqrt(6.0))
