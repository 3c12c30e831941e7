"""A workshop's bench file on the simulated bench: its sequence and uncertainties, with errors as large as it states.

The simulated bench stays what it is: its board, meter, transducer, reservoir and their true constants. What is borrowed
from the workshop's file is how long the steps take and how well the constants are said to be known. So that a figure
in the file means something, each constant that the program works with is put off the truth, by a draw anew for every
valve, as far as the file says that it may be. What the simulated bench is off by of itself (as its own file states: see
`RehearsalSettings.as_stated`) is taken off that.
"""

from __future__ import annotations

import math
import random
from typing import Any

from benchrig.bench.calibrations import constant_in
from benchrig.bench.constants import CONSTANTS
from benchrig.bench.file import BenchFile, LoadedBenchFile

__all__ = ["BORROWED", "bench_as_stated"]

BORROWED = (
    "[sequence]; reservoir hold_vacuum_kpa, pump_limit_s; every u_...; the meter's wires, accuracy, nplc and leads' u"
)
RECTANGULAR = math.sqrt(3.0)


def bench_as_stated(wanted: BenchFile, simulated: LoadedBenchFile, seed: int) -> LoadedBenchFile:
    """The simulated bench's file with the sequence and the uncertainties of `wanted`, its constants off accordingly."""
    draw = random.Random(f"constants of the bench {seed}")
    own = simulated.file

    def off(stated_u: float, own_u: float = 0.0) -> float:
        """An error to put on top, so that both together are as large as stated."""
        return draw.gauss(0.0, 1.0) * math.sqrt(max(0.0, stated_u**2 - own_u**2))

    meter = wanted.meter
    coil_ohm = 0.3 * own.meter.range_ohm  # where coils lie in that range: turns a part of the reading into ohms
    accuracy_ohm = (meter.accuracy_percent / 100 * coil_ohm + meter.accuracy_ohm) / RECTANGULAR
    own_ohm = (own.meter.accuracy_percent / 100 * coil_ohm + own.meter.accuracy_ohm) / RECTANGULAR
    changed: dict[str, dict[str, Any]] = {
        "meter": {
            "wires": meter.wires,
            "accuracy_percent": meter.accuracy_percent,
            "accuracy_ohm": meter.accuracy_ohm,
            "nplc": meter.nplc,
        },
        "supply": {
            "divider": own.supply.divider * (1 + off(wanted.supply.u_percent, own.supply.u_percent) / 100),
            "u_percent": wanted.supply.u_percent,
        },
        "shunt": {"series_u_ohm": wanted.shunt.series_u_ohm},
        "thermistor": {"u_k": wanted.thermistor.u_k},
        "reservoir": {
            "hold_vacuum_kpa": wanted.reservoir.hold_vacuum_kpa,
            "pump_limit_s": wanted.reservoir.pump_limit_s,
        },
        "sequence": wanted.sequence.model_dump(),
    }
    for each in {constant.name: constant for constant in CONSTANTS}.values():
        table = getattr(wanted, each.table)
        stated, mine = constant_in(wanted, each), constant_in(own, each)
        relative = stated.u / stated.value if stated.value and each.u_is == "percent" else None
        stated_u, own_u = stated.u if relative is None else relative * mine.value, mine.u
        if each.name == "meter lead_ohm":
            # Readings cannot be altered from here: the meter's own error goes in with the leads.
            stated_u, own_u = math.hypot(stated_u, accuracy_ohm), math.hypot(own_u, own_ohm)
        value = mine.value + off(stated_u, own_u)
        if each.name != "meter lead_ohm":
            value = max(value, each.least)
        without = getattr(table, each.key) is None  # what the file does without, the simulated bench does without
        changed.setdefault(each.table, {}).update(
            {each.key: None if without else value, each.u_key: getattr(table, each.u_key)}
        )
    tables = {name: getattr(own, name).model_copy(update=update) for name, update in changed.items()}
    return LoadedBenchFile(own.model_copy(update=tables), f"{simulated.where}, as stated by the file given", "")
