"""Two witnesses of one resistance: the multimeter, and the supply's voltage over the coil's current.

They share plug and valve and nothing else. Where they contradict each other as no coil and no joint would, one of them
lies, and that is the bench. A coil that is not energised has only the meter: then a reference resistor on the plug, of
which the ohms are known, says whether the meter can be believed.
"""

from __future__ import annotations

import math

from benchrig.analysis.coil.resistance import CrossCheck
from benchrig.bench.file import MeterTable
from benchrig.errors import BenchError, DeviceError, LinkError
from benchrig.sequencer.context import Context
from benchrig.sequencer.operator import Fitting, Operator, put_on

__all__ = ["DEAD_SHORT_OHM", "check_meter", "check_meter_against_current", "check_possible", "repeats_like_a_resistor"]

DEAD_SHORT_OHM = 1.0
"""Less is no coil, however few turns are left: bridged pins, leads that touch, the meter (engineering judgement)."""
REPEATS_REL, REPEATS_OHM = 0.01, 0.2
"""Readings taken one after the other differ by less than this, loose joints left out (engineering judgement)."""
OVER_RANGE = 1.5
"""A meter that reads so many times its range without saying overload is not on that range."""
DISAGREE_U = 3.0
"""Standard uncertainties of the difference from which on the witnesses contradict each other."""
BEYOND = 1.2
"""The meter finds so many times what supply and current found a moment before."""
REFERENCE_REL = 0.1
"""A meter that is wrong by less on the reference does not turn a sound coil into a short (engineering judgement)."""
_HINT = (
    "Put the meter's leads on the reference resistor or another known one of 20 to 30 ohm; then its own display, its "
    "leads and the relay K2. Then 'benchrig bench check'."
)


def repeats_like_a_resistor(readings_ohm: list[float]) -> bool:
    """Whether readings repeat as well as those of a resistor do, or of no path at all."""
    finite = [value for value in readings_ohm if math.isfinite(value)]
    if len(finite) < len(readings_ohm):
        return not finite
    return max(finite) - min(finite) <= max(REPEATS_OHM, REPEATS_REL * abs(sorted(finite)[len(finite) // 2]))


def check_possible(readings_ohm: list[float], meter: MeterTable) -> None:
    """Whether readings can be those of a coil, good or bad.

    Raises
    ------
    BenchError
        Negative, next to nothing, or far beyond the meter's range.
    """
    for value in readings_ohm:
        if math.isfinite(value) and not DEAD_SHORT_OHM <= value <= OVER_RANGE * meter.range_ohm:
            what = (
                "no resistance is negative"
                if value < 0
                else f"no coil has less than {DEAD_SHORT_OHM:g} ohm"
                if value < DEAD_SHORT_OHM
                else f"its range is {meter.range_ohm:g} ohm"
            )
            raise BenchError(
                f"The meter reads {value:.4g} ohm across the valve's coil: {what}.",
                hint="Unplug the valve: the meter must then show no path; if it does, and shows the same on this valve "
                "again, the pins of the valve are bridged inside. " + _HINT,
            )


def check_meter(run: Context, operator: Operator) -> float:
    """Whether the meter reads the reference resistor, put in the valve's place on the plug; return what it reads.

    Raises
    ------
    BenchError
        It does not, or the bench file knows of no reference resistor.
    """
    meter, reference = run.bench.file.meter, run.bench.file.reference_resistor
    if reference is None:
        raise BenchError(
            "The meter finds the coil short of turns, so it is not energised, and there is no reference resistor in "
            "the bench file to tell whether the meter can be believed. Nothing is said about the valve.",
            hint="A known resistor of 20 to 30 ohm: [reference_resistor] in the bench file. Or say --no-control to let "
            "the meter's word stand.",
        )
    put_on(run.bench, operator, Fitting.RESISTOR, run.coil_limit_s)
    ohm = run.bench.coil_readings_ohm(1)[0] - meter.lead_ohm
    if not abs(ohm - reference.ohm) <= REFERENCE_REL * reference.ohm:
        shown = f"reads {ohm:.4g} ohm on" if math.isfinite(ohm) else "finds no path through"
        raise BenchError(
            f"The meter {shown} the reference resistor of {reference.ohm:g} ohm. Nothing is said about the valve that "
            "it found short of turns.",
            hint=f"Is the reference resistor's plug home? {_HINT}",
        )
    return ohm


def check_meter_against_current(run: Context, check: CrossCheck) -> None:
    """Whether the meter and the current tell of one coil, where the verdict depends on which of them is believed.

    More resistance under load than cold is what a joint does that gives way, and stays the valve's. A coil that the
    meter finds short of turns or behind a joint, and that draws a current as if it were not, is no valve.

    Raises
    ------
    BenchError
        They contradict each other.
    """
    cold = run.cold_resistance
    limit = next((each for each in run.model.limits if each.name == "coil_resistance_20c_ohm"), None)
    if cold is None or cold.value is None or limit is None or abs(check.ratio - 1.0) <= DISAGREE_U * check.ratio_u:
        return
    low = -math.inf if limit.low is None else limit.low
    high = math.inf if limit.high is None else limit.high
    by_current_ohm = cold.value * check.ratio
    if low <= cold.value <= high and low <= by_current_ohm <= high:
        return
    again_ohm = _measured_again(run)
    # A joint that gives way stays where it is or comes back when the current is gone; it does not go on to open up.
    gives_way = check.ratio > 1.0 and cold.value >= low
    if gives_way and (cold.value <= high or again_ohm is None or again_ohm <= BEYOND * check.under_load_ohm):
        return
    shown = "" if again_ohm is None else f"{again_ohm:.2f} ohm" if math.isfinite(again_ohm) else "no path"
    again = f" Asked again at once the meter shows {shown}." if shown else ""
    raise BenchError(
        f"The meter finds {cold.value:.2f} ohm (at 20 degC), supply and current {by_current_ohm:.2f} ohm: they differ "
        f"by {abs(check.ratio - 1.0) / check.ratio_u:.0f} standard uncertainties, and not as a bad joint would.{again}",
        hint=f"One of them is wrong, so there is no verdict. {_HINT} Then the shunt and the supply's divider.",
    )


def _measured_again(run: Context) -> float | None:
    try:
        return run.bench.coil_readings_ohm(1)[0]
    except (DeviceError, LinkError):
        return None  # what was found first is still what to tell
