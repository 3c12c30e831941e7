"""Faults of the bench, not of the valve: what goes wrong, and when."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from simulators.machine import Machine
from simulators.meter import MeterMode

__all__ = ["FAULT_KINDS", "Fault", "parse_fault", "schedule"]

LINE_LEAK_SCCM = 40.0
"""About what a cut in a hose lets in: far above any good bench, far below an open valve (our own invention)."""
WEAK_PUMP = 0.05
"""Part of its strength that a pump with a torn diaphragm has left (our own invention)."""


def _estop(machine: Machine) -> None:
    machine.estop_ok = False


def _guard(machine: Machine) -> None:
    machine.guard_closed = False


def _supply_off(machine: Machine) -> None:
    machine.world.supply_on = False


def _unplug(machine: Machine) -> None:
    machine.board_unplugged = True


def _line_leak(machine: Machine) -> None:
    machine.world.line_leak_sccm += LINE_LEAK_SCCM


def _weak_pump(machine: Machine) -> None:
    machine.world.pump_strength *= WEAK_PUMP


def _meter(mode: MeterMode) -> Callable[[Machine], None]:
    def set_mode(machine: Machine) -> None:
        machine.meter_mode = mode

    return set_mode


FAULT_KINDS: dict[str, Callable[[Machine], None]] = {
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
}
"""Name of each kind, and what it does to the machine. All last, except meter-late: it holds back one answer."""


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


def schedule(machine: Machine, faults: Iterable[Fault]) -> None:
    """Have the faults happen at their instants; those that are past, at once."""
    for fault in faults:

        def happen(kind: str = fault.kind) -> None:
            FAULT_KINDS[kind](machine)

        machine.at(fault.at_s, happen)
