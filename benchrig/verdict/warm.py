"""What is measured a second time with the coil warm, what its failures mean, and which complaints ask for it."""

from __future__ import annotations

import re
from collections.abc import Sequence

from benchrig.analysis.characteristics import CHARACTERISTICS
from benchrig.verdict.judgement import Cause, Judged

__all__ = ["USUAL_C", "WARM", "speaks_of_heat", "warm_causes"]

WARM = {name: about.warm for name, about in CHARACTERISTICS.items() if about.warm}
"""Name cold and name warm. The warm limit is the cold one unless the model file has one of that name."""
USUAL_C = 60.0
"""Coil temperature of a warm test when none is named: a coil in use gets as warm (common practice, no source)."""
SURE = 0.9
"""How sure a cause is that shows with heat only; what causes it otherwise was tested cold (engineering judgement)."""
_HEAT = re.compile(r"\b(?:hot|heats?|heated|heating|warm(?:s|ed|er|ing)?|overheat\w*)\b", re.IGNORECASE)


def speaks_of_heat(complaint: str) -> bool:
    """Whether a customer's words are about heat.

    Examples
    --------
    >>> speaks_of_heat("stalls only when hot"), speaks_of_heat("engine light on, what now?")
    (True, False)
    """
    return _HEAT.search(complaint) is not None


def warm_causes(failing: Sequence[Judged]) -> tuple[Cause, ...]:
    """The causes of what fails warm only, most likely first; empty when something fails cold too."""
    names = {each.characteristic.name for each in failing}
    if not failing or not names <= set(WARM.values()):
        return ()
    coil = next(
        (each.characteristic for each in failing if each.characteristic.name == "coil_resistance_warm_ohm"), None
    )
    if coil is not None and coil.bound == "above":
        first, why = "open coil", "its path opens when the coil warms, and closes when it cools"
    elif coil is not None:
        first, why = "high-resistance joint", "its resistance rises faster than copper can when the coil warms"
    elif names & {"pull_in_time_warm_ms", "drop_out_time_warm_ms"}:
        first, why = "sluggish", "cold it moves in time, warm it does not"
    else:
        first, why = "restricted", "cold it lets enough air in, warm it does not"
    return Cause(first, SURE, f"only when warm: {why}"), Cause("unclear", 1.0 - SURE, "a fault that is not known")
