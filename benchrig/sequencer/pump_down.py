"""Drawing the closed manifold down: until the wanted vacuum, or until the pump makes no more of it."""

from __future__ import annotations

from collections.abc import Iterator

from benchrig.bench.bench import Bench
from benchrig.bench.wiring import pumping
from benchrig.errors import BenchError
from benchrig.sequencer.context import Context
from benchrig.sequencer.steps.impossible_readings import check_pressure

__all__ = ["draw_down", "pumped", "wait_for_vacuum_s"]

NO_VACUUM_PA = 100.0
"""An open purge valve still lets a working pump draw several times this; below it the pump draws nothing."""
STILL_RISING_PA_S = 150.0
LOOK_BACK_S = 3.0
PUMP_LOOK_S, LEAST_LOOK_S = 0.25, 0.02


def draw_down(run: Context, step: str) -> float:
    """Pump until the wanted vacuum, or until the pump makes no more of it; return the vacuum in pascals below ambient.

    Raises
    ------
    BenchError
        There is no vacuum at all: the bench, not the valve.
    """
    wanted_pa, limit_s = run.hold_vacuum_pa, run.bench.file.reservoir.pump_limit_s
    report = run.watch(step, limit_s)
    earlier: list[tuple[float, float]] = []
    for elapsed_s, pressure_pa in pumped(run.bench, run.ambient_pa, wanted_pa, coil=run.closed_when_energised):
        check_pressure(run, pressure_pa)
        vacuum_pa = run.ambient_pa - pressure_pa
        report(f"{vacuum_pa / 1000:.1f} kPa vacuum")
        earlier.append((elapsed_s, vacuum_pa))
        if vacuum_pa >= wanted_pa:
            return vacuum_pa
        past = [(t, v) for t, v in earlier if t <= elapsed_s - LOOK_BACK_S]
        if elapsed_s >= limit_s or (past and _rise_pa_s(past[-1], earlier[-1]) < STILL_RISING_PA_S):
            break
    if vacuum_pa < NO_VACUUM_PA:
        raise BenchError(
            f"The pump drew {vacuum_pa:.0f} Pa of vacuum in {elapsed_s:.0f} s; even a wide open valve leaves it over "
            f"{NO_VACUUM_PA:.0f} Pa.",
            hint="Does the pump run? Are the hoses on, does the vent close? Then isolation valve, transducer's hose.",
        )
    return vacuum_pa


def pumped(bench: Bench, ambient_pa: float, wanted_pa: float, *, coil: bool) -> Iterator[tuple[float, float]]:
    """Start the pump on the closed manifold; seconds gone and pressure, Pa, as long as somebody asks.

    Parameters
    ----------
    ambient_pa, wanted_pa : float
        Pressure of the room, and the vacuum below it that is wanted: near it looks are closer.
    coil : bool
        Whether the valve is energised meanwhile.
    """
    bench.arrange(pumping(coil=coil))
    began_s = bench.clock.now()
    looks: list[tuple[float, float]] = []
    while True:
        bench.wait(wait_for_vacuum_s(looks, wanted_pa))
        elapsed_s, pressure_pa = bench.clock.now() - began_s, bench.pressure_pa(20)
        looks.append((elapsed_s, ambient_pa - pressure_pa))
        yield elapsed_s, pressure_pa


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
