"""A workshop's bench file on the simulated bench: its sequence and uncertainties, with errors as large as it states.

The simulated bench stays what it is: its board, meter, transducer, reservoir and their true constants. What is borrowed
from the workshop's file is how long the steps take and how well the constants are said to be known. So that a figure
in the file means something, each constant that the program works with is put off the truth, by a draw anew for every
valve, as far as the file says that it may be. What the simulated bench is off by of itself (as its own file states: see
`Setting.as_stated`) is taken off that.
"""

from __future__ import annotations

import math
import random
from typing import Any

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
            # Readings cannot be altered from here: the meter's own error goes in with the leads.
            "lead_ohm": own.meter.lead_ohm + off(meter.lead_u_ohm, own.meter.lead_u_ohm) + off(accuracy_ohm, own_ohm),
            "lead_u_ohm": meter.lead_u_ohm,
            "accuracy_percent": meter.accuracy_percent,
            "accuracy_ohm": meter.accuracy_ohm,
            "nplc": meter.nplc,
        },
        "supply": {
            "divider": own.supply.divider * (1 + off(wanted.supply.u_percent, own.supply.u_percent) / 100),
            "u_percent": wanted.supply.u_percent,
        },
        "shunt": {
            "volts_per_amp": own.shunt.volts_per_amp * (1 + off(wanted.shunt.u_percent, own.shunt.u_percent) / 100),
            "u_percent": wanted.shunt.u_percent,
            "series_u_ohm": wanted.shunt.series_u_ohm,
        },
        "transducer": {
            "offset_v": own.transducer.offset_v
            + own.transducer.volts_per_pa * off(wanted.transducer.u_pa, own.transducer.u_pa),
            "u_pa": wanted.transducer.u_pa,
        },
        "thermistor": {"u_k": wanted.thermistor.u_k},
        "reservoir": {
            "volume_l": own.reservoir.volume_l * (1 + off(wanted.reservoir.u_percent, own.reservoir.u_percent) / 100),
            "u_percent": wanted.reservoir.u_percent,
            "hold_vacuum_kpa": wanted.reservoir.hold_vacuum_kpa,
            "pump_limit_s": wanted.reservoir.pump_limit_s,
        },
        "background": {
            "leak_sccm": max(0.0, own.background.leak_sccm + off(wanted.background.u_sccm, own.background.u_sccm)),
            "u_sccm": wanted.background.u_sccm,
        },
        "heat": {
            "time_constant_s": max(0.5, own.heat.time_constant_s + off(wanted.heat.u_s, own.heat.u_s)),
            "u_s": wanted.heat.u_s,
            "inflow_w_k": None if wanted.heat.inflow_w_k is None else own.heat.inflow_w_k,
            "inflow_u_w_k": wanted.heat.inflow_u_w_k,
        },
        "sequence": wanted.sequence.model_dump(),
    }
    tables = {name: getattr(own, name).model_copy(update=update) for name, update in changed.items()}
    return LoadedBenchFile(own.model_copy(update=tables), f"{simulated.where}, as stated by the file given", "")
