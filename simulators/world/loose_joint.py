"""A loose joint: when it is open, known beforehand from a seed, so that it does not matter who looks and when.

Not modelled: what shakes it open (clicks, hands), contact resistance while closed, arcs.
"""

from __future__ import annotations

import bisect
import math
import random

from simulators.world.parameters import CoilParameters

__all__ = ["LooseJoint"]


class LooseJoint:
    """Instants at which a joint opens and closes, each some exponentially distributed time after the one before.

    Parameters
    ----------
    coil : CoilParameters
        Its `gap_every_s`, `gap_s` and `gap_seed`.
    """

    def __init__(self, coil: CoilParameters) -> None:
        self._every_s, self._gap_s = coil.gap_every_s, coil.gap_s
        self._draw = random.Random(f"loose joint {coil.gap_seed}")
        self._toggles_s: list[float] = []

    def at(self, t_s: float) -> tuple[bool, float]:
        """Whether it is open just after an instant, and when that changes."""
        if math.isinf(self._every_s):
            return False, math.inf
        toggles = self._toggles_s
        while not toggles or toggles[-1] <= t_s:
            closed = len(toggles) % 2 == 0
            wait_s = self._draw.expovariate(1.0 / (self._every_s if closed else self._gap_s))
            toggles.append((toggles[-1] if toggles else 0.0) + max(wait_s, 20e-6))
        behind = bisect.bisect_right(toggles, t_s)
        return behind % 2 == 1, toggles[behind]
