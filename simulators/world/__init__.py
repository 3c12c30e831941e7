"""The physical world of the bench: coil, armature, port, reservoir and pump, moved on by equations of their own.

Equations, sources of the figures, and what is not modelled: see the README of `simulators`.
"""

from simulators.world.benches import COIL_U_K, draw_bench, draw_instruments, draw_stated, overridden, with_tank
from simulators.world.fittings import FITTINGS
from simulators.world.models import MODELS
from simulators.world.parameters import (
    ArmatureParameters,
    BenchParameters,
    CoilParameters,
    InstrumentErrors,
    PortParameters,
    ValveParameters,
)
from simulators.world.population import draw_valve
from simulators.world.sampler import WorldSampler
from simulators.world.trajectory import StopEvent
from simulators.world.valve_conditions import CONDITIONS, MAIN_CONDITIONS, SET_BY_VALUE
from simulators.world.world import World

__all__ = [
    "COIL_U_K",
    "CONDITIONS",
    "FITTINGS",
    "MAIN_CONDITIONS",
    "MODELS",
    "SET_BY_VALUE",
    "ArmatureParameters",
    "BenchParameters",
    "CoilParameters",
    "InstrumentErrors",
    "PortParameters",
    "StopEvent",
    "ValveParameters",
    "World",
    "WorldSampler",
    "draw_bench",
    "draw_instruments",
    "draw_stated",
    "draw_valve",
    "overridden",
    "with_tank",
]
