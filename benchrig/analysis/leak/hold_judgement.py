"""Which explanation of a hold stands, in words; and whether its value does."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from benchrig.analysis.leak.clipping import clipped
from benchrig.analysis.leak.goodness_of_fit import FALSE_ALARM, NO_FIT
from benchrig.analysis.leak.hold_result import Explanation, HoldResult
from benchrig.analysis.leak.leak_model import LeakFit
from benchrig.analysis.leak.slow_rise import LEAST_WET_PA
from benchrig.analysis.results import Samples

__all__ = ["CHANGES", "CLOGS", "FIT", "KNOWN_SCCM", "RISE", "WANDERS", "judged", "no_hold"]

KNOWN_SCCM = 0.3
"""A leak is known well enough for any limit when known to this, two standard uncertainties."""
LEAST_PRESSURE = 0.02
"""No pump of a bench draws down to this part of ambient pressure."""
NEAR_AMBIENT = 0.01
"""A pressure that stands this near to ambient has come to rest there, where a quiet transducer shows one value."""
FALLS_PA = 10.0
"""A pressure that falls by more than this and the noise is none in a shut-off reservoir."""
GROSS_IN_SAMPLES = 40
"""A gross leak of which at least so many samples were seen can be told from something that happened to the bench."""
NO_STEADY_LEAK = (
    "no steady leak fits the rise, with vapour or without: something changed while it was measured; look at hoses and "
    "joints for a leak that comes and goes, at vent K5 and reference valve K6, at the transducer; let bench and valve "
    "come to the room's temperature, and test again"
)
WORTH_SCCM, WORTH_PART = 1.0, 0.5
WORTHLESS_SCCM, WORTHLESS_PART = 5.0, 0.35
"""A leak beside vapour, and any leak, known no better than this, standard uncertainty, nor than this part of the
leak, is not worth stating."""
FIT, RISE, CLOGS, CHANGES, WANDERS = (
    "fit of the rise, thermal recovery included",
    "a rise that saturates (vapour), or none",
    "vapour, or a leak that clogs",
    "a leak that changes with the vacuum",
    "a rise that departs from every leak",
)
OF_THE_BENCH = {
    "volume of the reservoir": "the volume of the reservoir is not known well enough: calibrate it",
    "ambient temperature": "the temperature of the room is not known well enough: look at the thermistor",
    "drift of the ambient temperature": "the room's temperature drifts, or may: wait until it is steady, or have the "
    "thermistor read around the hold, and test again",
    "background leak of the bench": "the bench's own leak is not known well enough: run the bench check",
    "pressure transducer": "the transducer's scale or zero is not known well enough: calibrate it",
}
TOO_WIDE = {
    FIT: "this record does not tell the leak from gas that warms up; hold longer",
    RISE: "this record does not tell the leak from a rise that levels off (vapour, a slow wall), nor a steady leak "
    "from one that changes with the vacuum; hold longer",
    CLOGS: "this record does not tell vapour from a leak that clogs; hold longer",
    CHANGES: "the valve's leak changes with the vacuum: hold it once more at less vacuum",
    WANDERS: NO_STEADY_LEAK,
    **OF_THE_BENCH,
}
"""Why a value is too uncertain to be stated, by the largest part of its uncertainty."""
JUMPS_WIDENING, JUMPS_ALIKE = 3.0, 0.5
"""Residuals this many times the noise, each block alike to the one before by this correlation, are a jump."""
REMAINS = 0.1
"""A second explanation of this probability remains."""
FAR_BELOW = 3.0
"""A leak below zero by so many standard uncertainties, and by more than `KNOWN_SCCM` / 2, is none."""


def no_hold(p: Samples, ambient_pa: float) -> tuple[str, Explanation]:
    """What shows that a record is no hold at all, in words and by its name; or nothing: empty."""
    if float(np.ptp(p)) <= 1e-9 * ambient_pa:
        return f"the pressure stands at exactly {p[0]:.0f} Pa: transducer or logger is stuck, or not connected", ""
    if float(np.max(p)) < LEAST_PRESSURE * ambient_pa:
        return f"never above {np.max(p):.0f} Pa, where no pump goes: is the pressure in mbar or kPa instead of Pa?", ""
    end, first, samples = clipped(p)
    at_ambient = end == "highest" and abs(float(np.max(p)) - ambient_pa) < NEAR_AMBIENT * ambient_pa
    if end and not at_ambient:
        return (
            f"{samples} samples from sample {first} on stand at exactly the {end} value, {p[first]:.0f} Pa: an end of "
            "the transducer's range (it clips), or a logger that hung. Use a transducer or an input range that reaches "
            "further",
            "",
        )
    tenth = max(len(p) // 10, 3)
    began, ended = p[:tenth], p[-tenth:]
    fell_pa = float(np.mean(began) - np.mean(ended))
    if fell_pa > FALLS_PA + 6 * math.hypot(float(np.std(began)), float(np.std(ended))) / math.sqrt(tenth):
        return (
            f"the pressure falls by {fell_pa:.0f} Pa, while that in a shut-off reservoir only rises: is it gauge "
            "instead of absolute pressure, does the pump still draw (isolation valve K4), does the room cool?",
            "drift",
        )
    return "", ""


def judged(found: HoldResult, leak: LeakFit) -> HoldResult:
    """Say what the record shows, and take the value back where nothing explains it."""
    value, u, explained, slow = found.hold_leak_sccm, found.hold_leak_sccm_u, leak.explained, leak.slow
    if value is None or explained is None:
        return found
    if leak.beyond_ambient_pa:
        where = "above" if leak.beyond_ambient_pa > 0 else "below"
        return _taken_back(
            found,
            "changing",
            f"the rise makes for {abs(leak.beyond_ambient_pa):,.0f} Pa {where} the ambient pressure that was told, "
            "where no leak ends: fuel vapour beside a gross leak, a leak that changes, or an ambient pressure that was "
            "measured wrong. Air the valve out, read the ambient pressure again with the vent open, and test again",
        )
    if u is None:
        seen_steps = leak.half_s / max(leak.period_s, 1e-9)
        if leak.goodness is None or leak.goodness.p >= FALSE_ALARM or seen_steps < GROSS_IN_SAMPLES:
            return found
        return _taken_back(found, "changing", NO_STEADY_LEAK)
    notes = list(found.notes)
    explanation: Explanation = "leak"
    goodness = 1.0 if leak.goodness is None else leak.goodness.p
    if goodness < NO_FIT or _jumps(leak) or not math.isfinite(u):
        return _taken_back(
            replace(found, vapour_probability=explained.slow_probability),
            "changing",
            NO_STEADY_LEAK,
        )
    if goodness < FALSE_ALARM:
        notes.append(
            "the rise departs from every leak by a little more than noise does in all but "
            f"{1000 * FALSE_ALARM:.0f} of 1000 records: the uncertainty spans what a wandering of that size would do"
        )
    probability = explained.slow_probability
    if explained.changing_probability > 1 - REMAINS:
        notes.append(f"{TOO_WIDE[CHANGES]}; the value is that at the most vacuum there was, the uncertainty spans it")
    if slow is not None and probability > REMAINS:
        what = "rise" if slow.amplitude_pa > 0 else "fall"
        rise = f"a {what} of {abs(slow.amplitude_pa):,.0f} Pa that saturates with {slow.time_constant_s:.0f} s"
        if probability > 1 - REMAINS:
            wet = slow.amplitude_pa > LEAST_WET_PA
            explanation = "wet" if wet else "slow_wall"
            notes.append(
                f"fuel vapour: {rise}; air the valve out and test again"
                if wet
                else f"beside leak and recovery {rise}: a slow layer of the wall, a trace of fuel vapour, or a leak "
                "that changes"
            )
        else:
            explanation = "undecided"
            notes.append(
                f"the rise may be a leak alone, or beside it hold {rise} (probability {probability:.0%}), as fuel "
                "vapour makes it: the uncertainty spans both. Air the valve out and test again, or hold longer"
            )
        found = replace(
            found,
            vapour_pa=slow.amplitude_pa,
            vapour_pa_u=slow.amplitude_u_pa,
            vapour_time_constant_s=slow.time_constant_s,
            vapour_time_constant_s_u=slow.time_constant_u_s,
        )
    found = replace(found, explanation=explanation, vapour_probability=probability, notes=tuple(notes))
    vapour = explanation in ("wet", "undecided")
    least_sccm, part = (WORTH_SCCM, WORTH_PART) if vapour else (WORTHLESS_SCCM, WORTHLESS_PART)
    if u > max(least_sccm, part * value):
        said = f"the leak lies somewhere between {max(value - 2 * u, 0):.1f} and {value + 2 * u:.1f} sccm"
        largest = found.parts[0][0]  # the vapour's and the change's own words say more than the part's name
        seen = notes[-1] if notes and largest not in OF_THE_BENCH else TOO_WIDE.get(largest, TOO_WIDE[FIT])
        return _taken_back(replace(found, notes=()), explanation, f"{seen}: {said}")
    if value < -max(FAR_BELOW * u, KNOWN_SCCM / 2):
        return _taken_back(
            found,
            "drift",
            f"the pressure rises less than gas that warms up does ({value:.2f} sccm): the wall or the room cools, or "
            "the transducer drifts. Wait until temperatures are steady and test again",
        )
    drift_u = dict(found.parts).get("drift of the ambient temperature", 0.0)
    if found.drift_k_s and drift_u > max(0.5 * KNOWN_SCCM, 0.7 * u):
        warms = "warms" if found.drift_k_s > 0 else "cools"
        notes.append(
            f"the room {warms} by {abs(120 * found.drift_k_s):.1f} K/min: half of it was allowed for, and the "
            "uncertainty spans the rest. Wait until it is steady and test again"
        )
        explanation = "drift" if explanation == "leak" else explanation
    return replace(found, explanation=explanation, notes=tuple(notes))


def _jumps(leak: LeakFit) -> bool:
    """Whether the residuals are those of a jump, which fills fast and slow cosines alike, and not of spikes."""
    if leak.explained is not None and leak.explained.slow_probability + leak.explained.changing_probability > 0.5:
        return False
    left, wide = leak.fitted.residual, leak.fitted.widening
    return wide > JUMPS_WIDENING and float(np.corrcoef(left[1:], left[:-1])[0, 1]) > JUMPS_ALIKE


def _taken_back(found: HoldResult, explanation: Explanation, note: str) -> HoldResult:
    return replace(
        found,
        hold_leak_sccm=None,
        hold_leak_sccm_u=None,
        pressure_rate_pa_s=None,
        pressure_rate_pa_s_u=None,
        equivalent_orifice_mm=None,
        equivalent_orifice_mm_u=None,
        bound="",
        thermal_time_constant_s=None,
        thermal_time_constant_s_u=None,
        decided_after_s=None,
        explanation=explanation,
        notes=(note, *found.notes),
    )
