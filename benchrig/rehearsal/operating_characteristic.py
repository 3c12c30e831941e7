"""How often a valve is accepted, against how far it is from its limit: counted, and drawn as a picture."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from benchrig.errors import ConfigError
from benchrig.rehearsal.confidence_limits import Rate
from benchrig.rehearsal.plan import NEAR, OVER_LIMITS
from benchrig.rehearsal.tally import NEAR_STEP, Tally
from benchrig.reports.operating_characteristic_figure import AcceptanceCurve, operating_characteristic_svg

__all__ = ["Step", "check_place", "operating_characteristics", "write_picture"]

TITLES = {
    "seat-leak": "Hold leak",
    "restricted": "Flow at rated vacuum",
    "high-resistance-joint": "Coil resistance",
    "sluggish": "Pull-in time",
}


@dataclass(frozen=True)
class Step:
    """Valves whose true value over the limit lies between `low` and `low + NEAR_STEP`."""

    low: float
    accepted: Rate
    rejected: Rate


def operating_characteristics(tally: Tally) -> dict[str, tuple[Step, ...]]:
    """Condition -> its steps, from valves that came to a verdict."""
    found: dict[str, tuple[Step, ...]] = {}
    for condition in OVER_LIMITS:
        mine = [
            (each.entry.of_limit, each.verdict)
            for each in tally.results
            if each.entry.condition == condition and each.entry.of_limit is not None and each.judgement is not None
        ]
        steps = []
        for number in range(round((NEAR[1] - NEAR[0]) / NEAR_STEP)):
            low = NEAR[0] + number * NEAR_STEP
            here = [
                verdict for of_limit, verdict in mine if math.floor((of_limit - NEAR[0]) / NEAR_STEP + 1e-9) == number
            ]
            if here:
                of = len(here)
                steps.append(Step(round(low, 3), Rate(here.count("accept"), of), Rate(here.count("reject"), of)))
        if steps:
            found[condition] = tuple(steps)
    return found


def check_place(path: Path) -> None:
    """Make sure that a picture can be written there, before hours of rehearsal are spent on it.

    Raises
    ------
    ConfigError
        Its folder is not there, or nobody may write into it.
    """
    if not os.access(path.parent, os.W_OK | os.X_OK):
        raise _not_written(path, "no folder there, or no leave to write into it")


def write_picture(path: Path, tally: Tally) -> None:
    """Draw the curves into an SVG file.

    Raises
    ------
    ConfigError
        It cannot be written.
    """
    curves = [_curve(condition, steps) for condition, steps in operating_characteristics(tally).items()]
    try:
        path.write_text(operating_characteristic_svg(curves), encoding="utf-8")
    except OSError as error:
        raise _not_written(path, error.strerror or str(error)) from error


def _not_written(path: Path, why: str) -> ConfigError:
    hint = "Does the folder exist, and may you write there?"
    return ConfigError(f"The picture {path} cannot be written: {why}.", hint=hint)


def _curve(condition: str, steps: Sequence[Step]) -> AcceptanceCurve:
    return AcceptanceCurve(
        TITLES[condition],
        OVER_LIMITS[condition][1] == "high",
        tuple(each.low + NEAR_STEP / 2 for each in steps),
        tuple(each.accepted.rate or 0.0 for each in steps),
        tuple(each.accepted.limits for each in steps),
        tuple(each.rejected.rate or 0.0 for each in steps),
    )
