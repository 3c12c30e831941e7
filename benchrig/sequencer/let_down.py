"""What letting the gas down into a vacuum tank tells of how cold it is afterwards."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchrig.analysis.gas.let_down import chill_of_course, stirring_of_chill
from benchrig.bench.bench import Bench, Recording
from benchrig.sequencer.context import Context

__all__ = ["LET_DOWN_VARIES", "expect_chill", "known_chill", "let_down_slowly", "stirring_of"]

LET_DOWN_VARIES = 0.003
"""By which part of itself a chill that follows from the course of a let-down differs from that, on the day of the
calibration; standard uncertainty (simulated: 0.15 % over rooms, weather, pumps and tanks of a day; the rest is
engineering judgement)."""
FAR = 0.1
"""Of what a let-down differs in from the calibrated ones, this part is not known (engineering judgement)."""
LEAD_IN_POINTS, LEAD_IN_SAMPLES = (-0.1, -0.05, 0.0), 4
SLOW = 2.0
"""From so many times what a drawn tank takes a let-down is worth a word."""


def _whole(course: list[tuple[float, float]], recording: Recording) -> list[tuple[float, float]]:
    """The course up to shutting off: the last look was when the recording began, whose lead-in is the rest."""
    time_s, pressure_pa = recording.time_s, recording.columns["pressure_pa"]
    ended_s = course[-1][0] - float(time_s[0])
    rest = []
    for at_s in LEAD_IN_POINTS:
        near = np.argsort(np.abs(time_s - at_s))[:LEAD_IN_SAMPLES]
        rest.append((ended_s + float(time_s[near].mean()), float(pressure_pa[near].mean())))
    looks = [each for each in course[:-1] if each[0] < rest[0][0] - 0.01]
    return [*looks, *rest]


def _known(bench: Bench, room_k: float, time_constant_s: float) -> dict[str, Any]:
    file = bench.file
    return {
        "volume_m3": file.reservoir.volume_m3,
        "wall_k": room_k,
        "time_constant_s": time_constant_s,
        "power": file.heat.inflow_power,
    }


def stirring_of(
    bench: Bench, course: list[tuple[float, float]], recording: Recording, chill_k: float, time_constant_s: float
) -> float | None:
    """What an outflow of 1 g/s adds to the heat conductance, W/K, by one let-down; None without a tank."""
    if bench.file.tank is None:
        return None
    return stirring_of_chill(chill_k, _whole(course, recording), **_known(bench, bench.ambient_k(), time_constant_s))


def expect_chill(run: Context, recording: Recording) -> None:
    """Let the run know how cold the gas should be after the let-down before this recording, where that is known."""
    bench, heat = run.bench, run.bench.file.heat
    if bench.file.tank is None or heat.outflow_w_k is None or len(run.course) < 2:
        return
    course, known = _whole(run.course, recording), _known(bench, run.ambient_k, heat.time_constant_s)
    expected_k, off_k = (
        chill_of_course(course, stirring_w_k=heat.outflow_w_k + more, **known) for more in (0.0, heat.outflow_u_w_k)
    )
    run.expected_chill_k, run.expected_chill_u_k = expected_k, abs(off_k - expected_k)


def known_chill(run: Context, chill_k: float, chill_u_k: float, *, like_k: float | None) -> dict[str, float]:
    """The chill of this let-down, where that of others is known, for which `like_k` was expected."""
    expected_k = run.expected_chill_k
    if expected_k is None or not like_k:
        return {}
    now_k = chill_k * expected_k / like_k
    return {"chill_k": now_k, "chill_u_k": math.hypot(chill_u_k, run.expected_chill_u_k, FAR * (now_k - chill_k))}


def let_down_slowly(run: Context) -> tuple[str, ...]:
    """A word where letting down took much longer than from a tank that is drawn down."""
    tank = run.bench.file.tank
    if tank is None or run.drawn_s < SLOW * tank.let_down_s:
        return ()
    return (
        f"letting down took {run.drawn_s:.1f} s, {tank.let_down_s:g} s when the vacuum tank is drawn down: was it "
        "still being emptied? Otherwise its pump, vacuum switch, restrictor and tightness ('benchrig bench check')",
    )
