"""Records the world at a fixed rate: keeps what the segments say and fills whole stretches of samples at once."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from simulators.world.trajectory import ActuatorSegment, GasSegment

__all__ = ["WorldSampler"]

Samples = NDArray[np.float64]
EARLY = 1e-6
"""Part of a period by which every sample is taken early, so that rounding of instants loses none."""


class WorldSampler:
    """True values at a fixed rate. A sample at the very instant of a switch is of before the switch.

    Parameters
    ----------
    t0_s, period_s : float
        First instant and distance of the samples, in seconds.
    samples : int
        How many.
    not_before_s : float
        An earlier sample is taken at this instant instead.
    catch_up : callable
        Called before samples are handed out, so that the world offers what it has not yet offered.
    """

    def __init__(
        self,
        t0_s: float,
        period_s: float,
        samples: int,
        *,
        not_before_s: float,
        catch_up: Callable[[], None],
    ) -> None:
        self.t0_s = t0_s
        self.period_s = period_s
        self.samples = samples
        self._begin_s = t0_s - EARLY * period_s
        self._catch_up = catch_up
        self._filled = 0
        self._due = 0
        self._not_before_s = not_before_s
        self._actuator: list[ActuatorSegment] = []
        self._gas: list[GasSegment] = []
        names = ("current_a", "transducer_pa", "supply_v", "thermistor_k")
        self._arrays = {name: np.full(samples, np.nan) for name in names}

    def due(self, t_s: float) -> int:
        """Number of samples up to and including an instant."""
        count = max(0, min(self.samples, math.floor((t_s - self._begin_s) / self.period_s)))
        # rounding: the very figures that are used in `fill` decide
        while count < self.samples and self._begin_s + self.period_s * count <= t_s:
            count += 1
        return count

    @property
    def recorded(self) -> int:
        """How many samples there are by now."""
        return self._due

    @property
    def finished(self) -> bool:
        """Whether all samples are there."""
        return self._filled >= self.samples

    @property
    def arrays(self) -> dict[str, Samples]:
        """Arrays of shape (samples,), filled up to `recorded`, NaN behind it.

        Keys: current_a, transducer_pa (absolute), supply_v, thermistor_k.
        """
        self._catch_up()
        return self._arrays

    def reach(self, t_s: float) -> None:
        """The world has come to an instant."""
        self._due = self.due(t_s)

    def keep(self, actuator: Sequence[ActuatorSegment], gas: GasSegment) -> None:
        """Take in segments that have become history."""
        self._actuator.extend(actuator)
        self._gas.append(gas)

    def fill(
        self,
        t_s: float,
        actuator: Sequence[ActuatorSegment],
        gas: GasSegment,
        *,
        supply_v: float,
        thermistor_k: float,
    ) -> None:
        """Fill in the samples up to an instant, from what was kept and the segments now running.

        The supply's open voltage and the thermistor have been as given ever since the last call.
        """
        new = self.due(t_s)
        first = self._filled
        if new > first:
            at_s = np.maximum(self._begin_s + self.period_s * np.arange(first, new), self._not_before_s)
            current, sag_v = _current_and_sag(at_s, [*self._actuator, *actuator])
            self._arrays["current_a"][first:new] = current
            self._arrays["supply_v"][first:new] = supply_v - sag_v
            self._arrays["transducer_pa"][first:new] = _shown(at_s, [*self._gas, gas])
            self._arrays["thermistor_k"][first:new] = thermistor_k
            self._filled = new
        self._due = new
        self._actuator.clear()
        self._gas.clear()


def _current_and_sag(at_s: Samples, segments: Sequence[ActuatorSegment]) -> tuple[Samples, Samples]:
    table = np.array(segments, dtype=np.float64)[:, [0, 1, 2, 3, 4, 5, -3, -2, -1]]
    which = np.minimum(np.searchsorted(table[:, 1], at_s), len(table) - 1)
    begin, end, y0, y1, d0, d1, source_ohm, bypass_a, bypass_part = table[which].T
    h = np.maximum(end - begin, 1e-15)
    x = (at_s - begin) / h
    y = 1.0 - x
    current = y0 * (1.0 + 2.0 * x) * y * y + y1 * x * x * (3.0 - 2.0 * x) + h * x * y * (d0 * y - d1 * x)
    current += bypass_a + bypass_part * current
    return current, source_ohm * current


def _shown(at_s: Samples, segments: Sequence[GasSegment]) -> Samples:
    table = np.array(
        [
            (
                g.begin_s,
                g.begin_s + end if end < g.turns[-1][0] else g.end_s,
                *g.felt,
                g.decaying_pa,
                g.lag_s,
                g.play_pa,
                shown,
            )
            for g in segments
            for end, shown in g.turns
        ]
    )
    which = np.minimum(np.searchsorted(table[:, 1], at_s), len(table) - 1)
    begin, _, a, b, c, d, decaying, lag_s, half, before = table[which].T
    s = at_s - begin
    decay = np.exp(-s / np.maximum(lag_s, 1e-12))
    felt = a + s * (b + s * (c + s * d)) + decaying * decay
    return np.asarray(np.maximum(felt - half, np.minimum(felt + half, before)), dtype=np.float64)
