"""Where a transducer's answer turns round within one step of the gas: between two turns it only rises or only falls.

The answer of a first-order lag to a cubic is a cubic plus a decaying exponential. The zeros of
its slope are found from the top down: those of each derivative, from the third on, divide the step into parts on which
the one below only rises or only falls, and so has one zero at most.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

from simulators.world.trajectory import Cubic

__all__ = ["turning_points"]

NEGLIGIBLE_PA = 1e-6
"""Less left of the decay than this turns nothing round that anybody could see."""


def turning_points(felt: Cubic, decaying_pa: float, lag_s: float, h: float) -> list[float]:
    """Instants between 0 and h at which felt(s) + decaying_pa exp(-s / lag_s) turns round, rising.

    Examples
    --------
    >>> turning_points((0.0, -1.0, 1.0, 0.0), 0.0, 0.003, 2.0)
    [0.5]
    >>> turning_points((0.0, 1.0, 0.0, 0.0), 1.0, 0.1, 2.0)  # falls first: exp(-s / 0.1) = 0.1
    [0.2302585...]
    """
    _, b, c, d = felt
    if lag_s <= 0.0 or abs(decaying_pa) < NEGLIGIBLE_PA:
        decaying_pa, lag_s = 0.0, 1.0
    fall = -decaying_pa / lag_s
    if abs(b) > h * (2.0 * abs(c) + 3.0 * h * abs(d)) + abs(fall):
        return []  # too steep to turn: almost every step

    def first(s: float) -> float:
        return b + s * (2.0 * c + s * 3.0 * d) + fall * math.exp(-s / lag_s)

    def second(s: float) -> float:
        return 2.0 * c + 6.0 * d * s - fall / lag_s * math.exp(-s / lag_s)

    # The third derivative, 6 d + fall / lag^2 exp(-s / lag), has its zero in closed form.
    bends: list[float] = []
    if d != 0.0 and fall != 0.0 and -6.0 * d * lag_s * lag_s / fall > 0.0:
        bends.append(-lag_s * math.log(-6.0 * d * lag_s * lag_s / fall))
    flats = _zeros(second, bends, h)
    return _zeros(first, flats, h)


def _zeros(value: Callable[[float], float], between: Iterable[float], h: float) -> list[float]:
    """Zeros with a change of sign inside 0 to h, one at most on each of the parts into which it is divided."""
    ends = [0.0, *(s for s in between if 0.0 < s < h), h]
    found: list[float] = []
    at = [value(s) for s in ends]
    for low, high, at_low, at_high in zip(ends, ends[1:], at, at[1:], strict=False):
        if at_low * at_high >= 0.0:
            continue
        while (middle := 0.5 * (low + high)) not in (low, high):
            at_middle = value(middle)
            if at_middle == 0.0:
                break
            if (at_middle > 0.0) == (at_high > 0.0):
                high = middle
            else:
                low = middle
        found.append(middle)
    return found
