"""Drawing the closed manifold down: until the wanted vacuum, or until the pump makes no more of it.

With a vacuum tank that takes a second: the isolation valve joins the manifold to it, and the pump runs as well.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

from benchrig.bench.bench import Bench
from benchrig.bench.wiring import pumping
from benchrig.errors import BenchError
from benchrig.sequencer.context import Context
from benchrig.sequencer.steps.impossible_readings import check_pressure

__all__ = ["LEAST_LOOK_S", "Look", "draw_down", "pumped", "seconds_to_vacuum", "wait_for_vacuum_s"]

NO_VACUUM_PA = 100.0
"""An open purge valve still lets a working pump draw several times this; below it the pump draws nothing."""
STILL_RISING_PA_S = 150.0
LOOK_BACK_S, TANK_LOOK_BACK_S = 3.0, 0.5
"""No more vacuum comes where this long ago there was as much. A valve that does not close floods a tank meanwhile."""
PUMP_LOOK_S, TANK_LOOK_S, LEAST_LOOK_S = 0.25, 0.15, 0.02
ROUNDING_PA = 1e-3
SHUT_OFF_S = 0.1
"""From the decision to shut off until a recorded hold does so, its lead-in, a tank draws kilopascals more."""
FORESEEN_S = 0.12
"""So far ahead the course of a let-down is foreseen well enough to do without another look."""


class Look(NamedTuple):
    """A look at a draw-down: seconds gone, absolute pressure, Pa, and what it will be when the manifold is shut off."""

    elapsed_s: float
    pressure_pa: float
    shut_off_pa: float


def draw_down(run: Context, step: str) -> float:
    """Draw to the wanted vacuum, or until there comes no more of it; return the vacuum in pascals below ambient.

    How long it took, and how it went, is kept in `run.drawn_s` and `run.course`.

    Raises
    ------
    BenchError
        There is no vacuum at all: the bench, not the valve.
    """
    wanted_pa, limit_s = run.hold_vacuum_pa, run.bench.file.draw_limit_s
    report = run.watch(step, limit_s)
    earlier: list[tuple[float, float]] = []
    run.course, run.let_down = [(0.0, run.ambient_pa)], run.bench.file.tank is not None
    look_back_s = LOOK_BACK_S if run.bench.file.tank is None else TANK_LOOK_BACK_S
    for elapsed_s, pressure_pa, shut_off_pa in pumped(
        run.bench, run.ambient_pa, wanted_pa, coil=run.closed_when_energised
    ):
        check_pressure(run, pressure_pa)
        run.course.append((elapsed_s, pressure_pa))
        vacuum_pa, run.drawn_s = run.ambient_pa - shut_off_pa, elapsed_s
        report(f"{vacuum_pa / 1000:.1f} kPa vacuum")
        earlier.append((elapsed_s, vacuum_pa))
        if vacuum_pa >= wanted_pa:
            return vacuum_pa
        past = [(t, v) for t, v in earlier if t <= elapsed_s - look_back_s]
        if elapsed_s >= limit_s or (past and _rise_pa_s(past[-1], earlier[-1]) < STILL_RISING_PA_S):
            break
    if vacuum_pa < NO_VACUUM_PA:
        raise BenchError(
            f"The pump drew {vacuum_pa:.0f} Pa of vacuum in {elapsed_s:.0f} s; even a wide open valve leaves it over "
            f"{NO_VACUUM_PA:.0f} Pa.",
            hint="Does the pump run? Are the hoses on, does the vent close? Then isolation valve, transducer's hose.",
        )
    return vacuum_pa


def pumped(bench: Bench, ambient_pa: float, wanted_pa: float, *, coil: bool) -> Iterator[Look]:
    """Draw on the closed manifold; looks at it, as long as somebody asks.

    Parameters
    ----------
    ambient_pa, wanted_pa : float
        Pressure of the room, and the vacuum below it that is wanted: near it looks are closer.
    coil : bool
        Whether the valve is energised meanwhile.
    """
    bench.arrange(pumping(coil=coil))
    began_s = bench.clock.now()
    has_tank = bench.file.tank is not None
    looks: list[tuple[float, float]] = []
    wait_s = TANK_LOOK_S if has_tank else PUMP_LOOK_S
    while True:
        bench.wait(wait_s)
        elapsed_s, pressure_pa = bench.clock.now() - began_s, bench.pressure_pa(20)
        looks.append((elapsed_s, ambient_pa - pressure_pa))
        if not has_tank:
            yield Look(elapsed_s, pressure_pa, pressure_pa)
            wait_s = wait_for_vacuum_s(looks, wanted_pa)
            continue
        left_s = seconds_to_vacuum(looks, wanted_pa) - SHUT_OFF_S
        if left_s > FORESEEN_S:
            yield Look(elapsed_s, pressure_pa, pressure_pa)
        else:
            bench.wait(max(left_s, 0.0))
            yield Look(bench.clock.now() - began_s, pressure_pa, ambient_pa - wanted_pa - ROUNDING_PA)
        wait_s = min(max(0.5 * left_s, LEAST_LOOK_S), TANK_LOOK_S)


def seconds_to_vacuum(looks: list[tuple[float, float]], wanted_pa: float) -> float:
    """After how many more seconds a let-down that slows down as it goes on reaches a vacuum; infinite: not foreseen.

    Parameters
    ----------
    looks : list of (float, float)
        Looks so far: seconds, and pascals below ambient.
    wanted_pa : float
        Vacuum wanted.

    Examples
    --------
    >>> round(seconds_to_vacuum([(0.0, 0.0), (0.2, 38e3), (0.4, 72e3)], 75e3), 3)
    0.019
    >>> seconds_to_vacuum([(0.0, 0.0), (0.2, 38e3)], 75e3), seconds_to_vacuum([(0.0, 0.0), (0.2, 76e3)], 75e3)
    (inf, 0.0)
    """
    to_go_pa = wanted_pa - looks[-1][1]
    if to_go_pa <= 0:
        return 0.0
    if len(looks) < 3:
        return math.inf
    first, middle, last = looks[-3:]
    rate_pa_s = _rise_pa_s(middle, last)
    slows_pa_s2 = max((_rise_pa_s(first, middle) - rate_pa_s) / (0.5 * (last[0] - first[0])), 0.0)
    rate_pa_s -= 0.5 * slows_pa_s2 * (last[0] - middle[0])
    left = rate_pa_s**2 - 2.0 * slows_pa_s2 * to_go_pa
    if rate_pa_s <= 0 or left < 0:
        return math.inf
    return 2.0 * to_go_pa / (rate_pa_s + math.sqrt(left))


def wait_for_vacuum_s(earlier: list[tuple[float, float]], wanted_pa: float) -> float:
    """How long to wait until the next look at a vacuum that is being drawn, s.

    Less as the wanted vacuum comes near, so that all pump-downs end alike: how cold the gas is then depends on it.

    Parameters
    ----------
    earlier : list of (float, float)
        Looks so far: seconds, and pascals below ambient.
    wanted_pa : float
        Vacuum wanted.

    Examples
    --------
    >>> wait_for_vacuum_s([], 60e3), wait_for_vacuum_s([(4.0, 50e3), (4.2, 51e3)], 60e3)
    (0.25, 0.25)
    >>> round(wait_for_vacuum_s([(5.8, 58e3), (6.0, 59e3)], 59.5e3), 3)
    0.1
    """
    if len(earlier) < 2 or earlier[-1][1] <= earlier[-2][1]:
        return PUMP_LOOK_S
    left_s = (wanted_pa - earlier[-1][1]) / _rise_pa_s(earlier[-2], earlier[-1])
    return min(max(left_s, LEAST_LOOK_S), PUMP_LOOK_S)


def _rise_pa_s(then: tuple[float, float], now: tuple[float, float]) -> float:
    """Vacuum gained for each second between two looks, each a time and a vacuum."""
    return (now[1] - then[1]) / (now[0] - then[0])
