"""How long a valve takes to pull in on a bench that is as its file says: by trial, for lack of a closed form.

Room temperature, ambient pressure on both sides, the demo bench's supply.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from simulators.world.parameters import BenchParameters, ValveParameters
from simulators.world.relays import COIL
from simulators.world.world import World

__all__ = ["pull_in_s", "slowed_to"]

LOOK_S, LONGEST_S = 0.02, 0.4
CLOSE = 1e-3


def pull_in_s(valve: ValveParameters) -> float:
    """From switching the coil on to the armature's arrival, s; infinite if it does not arrive.

    Examples
    --------
    >>> from simulators.world import draw_valve
    >>> 0.005 < pull_in_s(draw_valve("alder-24", "good", 1)) < 0.018
    True
    """
    world = World(BenchParameters(), valve, seed=0)
    world.set_outputs(COIL)
    at_s = 0.0
    while at_s < LONGEST_S:
        at_s += LOOK_S
        world.advance_to(at_s)
        for motion in world.motions:
            if motion.what == "meets" and motion.stroke == 1.0:
                return motion.t_s
    return math.inf


def slowed_to(seconds: float, damped: Callable[[float], ValveParameters], most: float) -> ValveParameters:
    """A valve with so much friction that it takes so long, to a thousandth.

    Parameters
    ----------
    seconds : float
        Wanted.
    damped : callable
        From the friction, in whatever unit, to the valve.
    most : float
        Friction at most.

    Raises
    ------
    ValueError
        It takes longer without any.
    """
    low, high = 0.0, most
    if pull_in_s(damped(low)) > seconds:
        raise ValueError(f"Without friction it takes {1e3 * pull_in_s(damped(low)):.1f} ms: not {1e3 * seconds:g} ms.")
    while high - low > CLOSE * most:
        middle = 0.5 * (low + high)
        found_s = pull_in_s(damped(middle))
        if abs(found_s - seconds) < CLOSE * seconds:
            return damped(middle)
        low, high = (middle, high) if found_s < seconds else (low, middle)
    return damped(low)
