"""Is it the bench? Looks at readings that no valve can cause, and stops the run before they become a verdict."""

from __future__ import annotations

import math

from benchrig.errors import BenchError, DeviceError, LinkError
from benchrig.sequencer.context import Context
from benchrig.verdict.evidence import CURRENT_FLOWS_A

__all__ = ["check_dead", "check_energised", "check_pressure", "check_vented"]

LEAST_CURRENT = 0.5
"""Less than this part of what the cold coil leads to is no bad joint: the supply does not reach the coil."""
CHANGED = 1.3
"""A coil that measures so many times what it did cold: the heat of holding it on makes 1.1 (copper, 25 K)."""
SUPPLY_SLACK_V = 0.5
"""How far the supply may sag under the coil below the least that the bench file allows without load."""
LOWEST_PA = 2_000.0
ABOVE_AMBIENT = 1.05
VENTED_PA = 1_000.0
VENT_S, VENT_LOOK_S = 1.0, 0.1


def check_energised(run: Context, current_a: float, supply_v: float) -> None:
    """Whether the supply reached the coil while it was on.

    Raises
    ------
    BenchError
        Supply down; a sound coil without current; or current through a coil in which the meter found no path.
    """
    least_v = run.bench.file.supply.low_v - SUPPLY_SLACK_V
    if supply_v < least_v:
        raise BenchError(
            f"Coil supply {supply_v:.2f} V with the coil on; at least {least_v:.1f} V wanted.",
            hint="Is the supply still on, its fuse whole, its current limit above the coil's current? Then plug in a "
            "known-good valve: if that one runs, this valve draws too much (a reversed diode, shorted turns).",
        )
    if run.coil == "open" and current_a > CURRENT_FLOWS_A:
        raise BenchError(
            f"The meter found no path through the coil, but {current_a:.3f} A flows when it is energised.",
            hint="The meter's leads and plug; then plug in a known-good valve: if that one runs, a joint in this valve "
            "is loose. Otherwise the meter relay K2.",
        )
    cold = run.cold_resistance
    if run.coil == "sound" and cold is not None and cold.value:
        expected_a = supply_v / (cold.value + run.bench.file.shunt.series_ohm)
        if current_a < LEAST_CURRENT * expected_a:
            again, hint = _measured_again(run, cold.value)
            raise BenchError(
                f"The coil measures {cold.value:.1f} ohm, but only {current_a:.3f} A flows when it is energised; "
                f"about {expected_a:.2f} A expected. {again}".rstrip(),
                hint=hint,
            )


def _measured_again(run: Context, cold_ohm: float) -> tuple[str, str]:
    """Ask the meter at once, while the coil is as warm as it was, and say which side to look at first.

    The meter's way to the coil and the supply's have nothing in common but plug and valve. Which of those two it is, no
    reading tells: so there is no verdict either way.
    """
    try:
        ohm = run.bench.coil_readings_ohm(1)[0]
    except (DeviceError, LinkError):
        ohm = None  # what was found first is still what to tell
    if ohm is not None and ohm > CHANGED * cold_ohm:
        found = "no path" if math.isinf(ohm) else f"{ohm:.1f} ohm"
        return (
            f"Measured again at once it shows {found}: the plug, or the valve itself.",
            "Reseat the plug and run again. If it comes back, plug in a known-good valve: if that one runs, the coil "
            "of this valve or a joint in it fails when it warms; if it does not, replace the plug and its leads.",
        )
    same = "" if ohm is None else f"Measured again at once it shows {ohm:.1f} ohm."
    return (
        same,
        "Reseat the plug, then plug in a known-good valve: if that one runs, a joint in this valve fails under load. "
        "Otherwise the fuse and the wiring from the supply; then the coil switch K1, the meter relay K2 (stuck on, it "
        "opens the coil's path) and the shunt.",
    )


def check_dead(run: Context, current_a: float) -> None:
    """Whether the coil is without current while it is switched off. Raises BenchError."""
    if current_a > CURRENT_FLOWS_A:
        raise BenchError(
            f"{current_a:.3f} A flows through the coil, which is switched off.",
            hint="Switch the supply off: the coil switch K1 is stuck on. Then the zero of the current amplifier.",
        )


def check_pressure(run: Context, pressure_pa: float) -> None:
    """Whether the manifold's pressure is one that a working transducer can show. Raises BenchError."""
    if not LOWEST_PA < pressure_pa < ABOVE_AMBIENT * run.ambient_pa:
        raise BenchError(
            f"Transducer reads {pressure_pa / 1000:.2f} kPa; between {LOWEST_PA / 1000:g} kPa and the ambient "
            f"{run.ambient_pa / 1000:.2f} kPa is possible.",
            hint="The transducer's plug and supply; then its cable.",
        )


def check_vented(run: Context) -> None:
    """Whether the manifold comes back to ambient within `VENT_S` of the vent's opening. Raises BenchError."""
    bench, until_s = run.bench, run.bench.clock.now() + VENT_S
    while True:
        bench.wait_until(min(bench.clock.now() + VENT_LOOK_S, until_s))
        pressure_pa = bench.pressure_pa(100)
        if abs(pressure_pa - run.ambient_pa) <= VENTED_PA or bench.clock.now() >= until_s:
            break
    if abs(pressure_pa - run.ambient_pa) > VENTED_PA:
        raise BenchError(
            f"Transducer reads {pressure_pa / 1000:.2f} kPa with the vent open; "
            f"ambient is {run.ambient_pa / 1000:.2f} kPa.",
            hint="Is the vent's filter blocked, does the vent valve K5 open? Then: is the transducer stuck?",
        )
