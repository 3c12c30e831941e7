"""Faults of the bench, not of the valve: what goes wrong, and when."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from firmware_protocol.messages import COIL, ISOLATION, METER, PUMP, REFERENCE, VENT
from simulators.instruments.board_cable import RATE
from simulators.instruments.meter import MeterMode
from simulators.simulated_bench import SimulatedBench

__all__ = ["FAULT_KINDS", "Fault", "parse_fault", "schedule"]

LINE_LEAK_SCCM = 40.0
"""About what a cut in a hose lets in: far above any good bench, far below an open valve (our own invention)."""
BLOCKED_LINE_M2 = 0.15e-6
"""What a kink leaves of a hose: less than a tenth of an open valve (our own invention)."""
TRANSDUCER_OFFSET_PA, TRANSDUCER_SLOW_S = 2_500.0, 1.5
SUPPLY_SAG_OHM = 4.0
"""A corroded terminal of the supply."""
SUPPLY_NOISE_V, SUPPLY_NOISE_A = 0.7, 0.003
"""Of a failing supply, too fast for the coil to smooth it away from the converter (our own invention)."""
HELD_RANGE_OHM = 10.0
AMBIENT_STEP_K = 6.0
"""A door opened on a warm day."""
ROOM_K_S = 1.5 / 60.0
"""A heater that has just come on in a small room."""
HEATED_W = 6.0
"""Sun on half of a small reservoir."""
LINER_SHARE, LINER_J_K, LINER_W_K = 0.7, 4.0, 0.13
"""A plastic liner over most of the wall: with these it comes back with a time constant of half a minute."""
TAP_LOSS_1_M4 = 1.5e10
"""A tap in a narrow place: about three times the dynamic pressure in a bore of 4 mm."""
RELAYS = {"coil": COIL, "meter": METER, "pump": PUMP, "isolation": ISOLATION, "vent": VENT, "reference": REFERENCE}
"""Welded is on for good and dead off for good; for the vent, on is closed."""
WEAK_PUMP = 0.05
"""Part of its strength that a pump with a torn diaphragm has left (our own invention)."""
TANK_LEAK_SCCM = 8_000.0
"""A cock left ajar: more than a pump of 4 L/min draws at the pressure that the vacuum switch wants (own invention)."""
TANK_LINE_LEFT = 0.25
"""What charcoal dust leaves of the restrictor's area (our own invention)."""


def _estop(simulated_bench: SimulatedBench) -> None:
    simulated_bench.estop_ok = False


def _guard(simulated_bench: SimulatedBench) -> None:
    simulated_bench.guard_closed = False


def _supply_off(simulated_bench: SimulatedBench) -> None:
    simulated_bench.world.supply_on = False


def _unplug(simulated_bench: SimulatedBench) -> None:
    simulated_bench.board_unplugged = True


def _line_leak(simulated_bench: SimulatedBench) -> None:
    simulated_bench.world.line_leak_sccm += LINE_LEAK_SCCM


def _weak_pump(simulated_bench: SimulatedBench) -> None:
    simulated_bench.world.pump_strength *= WEAK_PUMP


def _relay(*, welded: int = 0, dead: int = 0) -> Callable[[SimulatedBench], None]:
    def fail(simulated_bench: SimulatedBench) -> None:
        simulated_bench.world.fail_relays(welded=welded, dead=dead)

    return fail


def _blocked_line(simulated_bench: SimulatedBench) -> None:
    simulated_bench.world.block_line(BLOCKED_LINE_M2)


def _transducer_stuck(simulated_bench: SimulatedBench) -> None:
    simulated_bench.pins.stick_transducer()


def _transducer_offset(simulated_bench: SimulatedBench) -> None:
    simulated_bench.pins.shift_transducer(TRANSDUCER_OFFSET_PA)


def _transducer_slow(simulated_bench: SimulatedBench) -> None:
    simulated_bench.world.transducer_lag_s = TRANSDUCER_SLOW_S


def _supply_sag(simulated_bench: SimulatedBench) -> None:
    simulated_bench.world.source_ohm += SUPPLY_SAG_OHM


def _supply_noise(simulated_bench: SimulatedBench) -> None:
    simulated_bench.pins.add_noise(SUPPLY_NOISE_V, SUPPLY_NOISE_A)


def _meter_range(simulated_bench: SimulatedBench) -> None:
    simulated_bench.meter.hold_range(HELD_RANGE_OHM)


def _frames_lost(simulated_bench: SimulatedBench) -> None:
    simulated_bench.wire.lost = RATE


def _frames_damaged(simulated_bench: SimulatedBench) -> None:
    simulated_bench.wire.damaged = RATE


def _frames_repeated(simulated_bench: SimulatedBench) -> None:
    simulated_bench.wire.repeated = RATE


def _frames_delayed(simulated_bench: SimulatedBench) -> None:
    simulated_bench.wire.delayed = RATE


def _ambient_step(simulated_bench: SimulatedBench) -> None:
    simulated_bench.world.ambient_k += AMBIENT_STEP_K


def _drifting_room(simulated_bench: SimulatedBench) -> None:
    simulated_bench.world.room_k_s += ROOM_K_S


def _heated_reservoir(simulated_bench: SimulatedBench) -> None:
    simulated_bench.world.wall_heat_w += HEATED_W


def _two_time_constants(simulated_bench: SimulatedBench) -> None:
    simulated_bench.world.line_wall(LINER_SHARE, LINER_J_K, LINER_W_K)


def _tap_in_flow(simulated_bench: SimulatedBench) -> None:
    simulated_bench.world.tap_loss_1_m4 = TAP_LOSS_1_M4


def _tank_leak(simulated_bench: SimulatedBench) -> None:
    simulated_bench.world.fail_tank(leak_sccm=TANK_LEAK_SCCM)


def _tank_not_drawn(simulated_bench: SimulatedBench) -> None:
    simulated_bench.world.fail_tank(switch_dead=True, vacuum_lost=True)


def _tank_line_blocked(simulated_bench: SimulatedBench) -> None:
    simulated_bench.world.fail_tank(line_left=TANK_LINE_LEFT)


def _meter(mode: MeterMode) -> Callable[[SimulatedBench], None]:
    def set_mode(simulated_bench: SimulatedBench) -> None:
        simulated_bench.meter_mode = mode

    return set_mode


FAULT_KINDS: dict[str, Callable[[SimulatedBench], None]] = {
    "supply-off": _supply_off,
    "estop": _estop,
    "guard": _guard,
    "unplug": _unplug,
    "meter-silent": _meter(MeterMode.SILENT),
    "meter-late": _meter(MeterMode.LATE),
    "meter-garbage": _meter(MeterMode.GARBAGE),
    "meter-unplug": _meter(MeterMode.UNPLUGGED),
    "meter-other": _meter(MeterMode.OTHER),
    "line-leak": _line_leak,
    "weak-pump": _weak_pump,
    "blocked-line": _blocked_line,
    "transducer-stuck": _transducer_stuck,
    "transducer-offset": _transducer_offset,
    "transducer-slow": _transducer_slow,
    "supply-sag": _supply_sag,
    "supply-noise": _supply_noise,
    "meter-range": _meter_range,
    "frames-lost": _frames_lost,
    "frames-damaged": _frames_damaged,
    "frames-repeated": _frames_repeated,
    "frames-delayed": _frames_delayed,
    "ambient-step": _ambient_step,
    "drifting-room": _drifting_room,
    "heated-reservoir": _heated_reservoir,
    "two-time-constants": _two_time_constants,
    "tap-in-flow": _tap_in_flow,
    "tank-leak": _tank_leak,
    "tank-not-drawn": _tank_not_drawn,
    "tank-line-blocked": _tank_line_blocked,
    **{f"{name}-relay-welded": _relay(welded=bit) for name, bit in RELAYS.items()},
    **{f"{name}-relay-dead": _relay(dead=bit) for name, bit in RELAYS.items()},
}
"""Name of each kind, and what it does to the simulated bench. All last, except meter-late: it holds back one answer.
Those of the tank need a bench that has one."""


@dataclass(frozen=True)
class Fault:
    """One fault and the instant at which it comes, in seconds since the world began."""

    kind: str
    at_s: float


def parse_fault(text: str) -> Fault:
    """Read a fault as a person types it: ``KIND@SECONDS``, 0 for "from the start".

    Raises
    ------
    ValueError
        Not of that form, no such kind, or no such time.

    Examples
    --------
    >>> parse_fault("estop@4.5")
    Fault(kind='estop', at_s=4.5)
    """
    kind, at, seconds = text.partition("@")
    if kind not in FAULT_KINDS:
        raise ValueError(f"Fault {text!r}: no fault is called {kind!r}; there are: {', '.join(FAULT_KINDS)}.")
    if not at or not re.fullmatch(r"\d+(\.\d*)?|\.\d+", seconds) or not math.isfinite(float(seconds)):
        raise ValueError(f"Fault {text!r}: write {kind}@SECONDS, for example {kind}@0 or {kind}@12.5.")
    return Fault(kind, float(seconds))


def schedule(simulated_bench: SimulatedBench, faults: Iterable[Fault]) -> None:
    """Have the faults happen at their instants; those that are past, at once."""
    for fault in faults:

        def happen(kind: str = fault.kind) -> None:
            FAULT_KINDS[kind](simulated_bench)

        simulated_bench.at(fault.at_s, happen)
