"""What else a fill may be that is not one valve opening at once: tried when the plain model is questioned.

Each supposition is fitted to the whole record. Those that describe it as well as the noise allows are kept; where more
than one is left, what is stated spans them all.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from benchrig.analysis.flow.fill_blocks import Blocks
from benchrig.analysis.flow.fill_fit import RESPONSE, TRAVEL_U_S, FillFit, Supposed, fit_fill
from benchrig.analysis.flow.fill_model import FillSetting, timed
from benchrig.analysis.flow.opening_course import Course
from benchrig.analysis.statistics.fitting import Parameter

__all__ = ["SLOWEST_S", "Explanation", "explanations"]

AS_LIKELY = 12.0
"""Explanations whose chi-square is over the best one's by no more than this are kept beside it."""
SLOW_S, SLOWEST_S = 0.05, 0.12
"""How long a valve that opens slowly may take, and at most."""
MOST_RESPONSE_S, QUICKER = 0.1, 0.7
LEAST_PART, MOST_PART = 0.08, 0.95
"""A first step below this part cannot be told from a delay; one above it is no step that a valve makes."""
OTHER_HEAT_RATIO_U, OTHER_HEAT_FLOW_U = 0.1, 0.04
"""Where the record says that the walls give heat otherwise than told, one form that fits is as good as another
(engineering judgement; records of free convection and of liners were off by up to 0.2 and 0.08)."""
BENT_U = 0.02
"""What a recovery of another form makes of the instant of opening, as part of its time constant (engineering
judgement)."""
SLOW_U, LAG_U = 0.1, 0.3
"""What is not known of the instant of opening, as part of the time over which a valve opens slowly, and of a lag that
nobody told: a narrow hose looks like both and is neither (engineering judgement)."""


@dataclass(frozen=True)
class Explanation:
    """A supposition that describes the record.

    Attributes
    ----------
    words : str
        What it says of valve or bench.
    fill : FillFit
    timing_u_s : float
        What it leaves open of the instant of opening, beside the fit's own uncertainty, s.
    ratio_u, flow_u : float
        What it leaves open of the critical ratio, and of C and the flow at rated vacuum as part of them.
    """

    words: str
    fill: FillFit
    timing_u_s: float = 0.0
    ratio_u: float = 0.0
    flow_u: float = 0.0


def explanations(blocks: Blocks, setting: FillSetting, course: Course) -> list[Explanation]:
    """Suppositions beyond the plain model that describe the record, the likeliest first; none where none does."""
    tried = list(_tried(blocks, setting, course))
    fitting = [each for each in tried if each.fill.believed]
    if not fitting:
        return []
    fitting.sort(key=lambda each: each.fill.cost)
    best = fitting[0].fill.cost
    return [each for each in fitting if each.fill.cost <= best + AS_LIKELY]


def _tried(blocks: Blocks, setting: FillSetting, course: Course) -> Iterator[Explanation]:
    def fitted(supposed: Supposed, bench: FillSetting = setting) -> FillFit | None:
        try:
            return fit_fill(blocks, bench, supposed)
        except np.linalg.LinAlgError:
            return None

    gathering = fitted(Supposed(extra=(Parameter("gathers_speed", 0.5, 1e-2, 0.5, 0.5, 0.0, 1.0), *RESPONSE)))
    if gathering:
        yield Explanation("", gathering)
    slow = fitted(Supposed(travel_u_s=SLOW_S, most_travel_s=3 * SLOW_S))
    if slow:
        takes_ms = 1e3 * timed(slow.fitted.values)["travel_s"]
        if takes_ms > 1.5e3 * TRAVEL_U_S:
            yield Explanation(f"the valve opens slowly, over {takes_ms:.0f} ms", slow, 1e-3 * SLOW_U * takes_ms)
        else:
            yield Explanation("", slow)
    step = _two_steps(course)
    if step:
        two = fitted(Supposed(extra=(*step, *RESPONSE)))
        if two and two.fitted.values["early_part"] <= MOST_PART:
            part, later_ms = two.fitted.values["early_part"], 1e3 * two.fitted.values["later_s"]
            words = f"the valve opens in two steps: to {part:.0%} first, fully {later_ms:.0f} ms later"
            yield Explanation(words, two, 0.002 + 3e-5 * later_ms)
    told_s = setting.response_s
    lag = Parameter("response_s", 2 * told_s + 1e-3, 1e-4, told_s, 4 * told_s + 5e-3, 0.0, MOST_RESPONSE_S)
    slower = fitted(Supposed(extra=(lag,)))
    if slower:
        found_s = slower.fitted.values["response_s"]
        # no transducer is much quicker than it was calibrated to be: what looks like that is something else
        words = (
            f"the transducer answers slower than the bench file says: {1e3 * found_s:.1f} ms, not {1e3 * told_s:.1f} ms"
        )
        if found_s > told_s:
            yield Explanation(words, slower, LAG_U * (found_s - told_s))
        elif found_s > QUICKER * told_s:
            yield Explanation("", slower, LAG_U * (told_s - found_s))
    tap = Parameter("tap", 0.01, 1e-4, 0.0, 0.05, -0.2, 0.3)
    tapped = fitted(Supposed(extra=(tap, *RESPONSE)))
    if tapped:
        lost_pa = tapped.fitted.values["tap"] * setting.ambient_pa
        words = f"the transducer's tap lies in the flow path: it shows {lost_pa:.0f} Pa too little at full flow"
        yield Explanation(words, tapped)
    other_heat = {"ratio_u": OTHER_HEAT_RATIO_U, "flow_u": OTHER_HEAT_FLOW_U}
    isothermal = fitted(Supposed(tau_s=0.08, tau_ln_u=1.5))
    if isothermal:
        # how the gas comes to the walls' temperature bends the first milliseconds, like an opening that takes time
        timing_u_s = 0.001 + BENT_U * math.exp(isothermal.fitted.values["tau_ln"])
        words = "the walls keep the gas nearly at their own temperature"
        yield Explanation(words, isothermal, timing_u_s, **other_heat)
    mixing = None if not setting.inflow_told else fitted(Supposed(), setting.untold())
    if mixing:
        yield Explanation(
            "the inflow stirs the gas strongly: more heat than usual comes from the walls", mixing, **other_heat
        )


def _two_steps(course: Course) -> tuple[Parameter, ...]:
    """Where a search for two steps begins: at the split of the course that parts a low from a high opening best."""
    part = course.part
    if len(part) < 4:
        return ()
    best, gain = 0, 0.0
    for k in range(1, len(part) - 1):
        low, high = float(part[:k].mean()), float(part[k:].mean())
        between = k * (len(part) - k) * (high - low) ** 2 if high > low else 0.0
        if between > gain:
            best, gain = k, between
    if not best:
        return ()
    low, high = float(part[:best].mean()), float(part[best:].mean())
    width_s = float(course.time_s[1] - course.time_s[0])
    later_s = max(float(course.time_s[best] - course.time_s[0]), 0.5 * width_s)
    early = min(max(low / high, 0.05), 0.95)
    return (
        Parameter("early_part", max(early, LEAST_PART), 1e-3, 0.5, 0.4, LEAST_PART, 1.0),
        Parameter("later_s", later_s, 1e-4, later_s, max(later_s, 2 * width_s), 0.0, 3 * later_s + 2 * width_s),
    )
