"""The physical world of the bench: coil, armature, port, reservoir and pump, moved on by equations of their own.

Equations, sources of the figures, and what is not modelled: see the README of `simulators`.
"""

from simulators.world.benches import draw_bench, draw_instruments, overridden
from simulators.world.conditions import CONDITIONS, GRADES, MAIN_CONDITIONS, grade
from simulators.world.fittings import FITTINGS
from simulators.world.models import MODELS
from simulators.world.population import draw_valve
from simulators.world.sampler import WorldSampler
from simulators.world.segments import Motion
from simulators.world.truths import ArmatureTruth, BenchTruth, CoilTruth, InstrumentTruth, PortTruth, ValveTruth
from simulators.world.world import World

__all__ = [
    "CONDITIONS",
    "FITTINGS",
    "GRADES",
    "MAIN_CONDITIONS",
    "MODELS",
    "ArmatureTruth",
    "BenchTruth",
    "CoilTruth",
    "InstrumentTruth",
    "Motion",
    "PortTruth",
    "ValveTruth",
    "World",
    "WorldSampler",
    "draw_bench",
    "draw_instruments",
    "draw_valve",
    "grade",
    "overridden",
]
