"""The three fictional valve models: the middle of each, its limits, and the spread of good valves about the middle.

All figures are our own invention.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

from simulators.world.nozzle import ANR_K, ANR_KG_M3, CHOKED
from simulators.world.parameters import ArmatureParameters, CoilParameters, PortParameters, ValveParameters

__all__ = ["MIDDLES", "MODELS", "Limits", "Middle", "draw_good", "open_m2", "throat_m2"]


@dataclass(frozen=True)
class Limits:
    """What the model allows a good valve, as its workshop has it; "barely" is just outside of these."""

    ohm_low: float
    ohm_high: float
    leak_sccm: float
    flow_lpm_anr: float
    """At least, through the open valve at the rated vacuum."""
    rated_vacuum_pa: float = 30e3


@dataclass(frozen=True)
class Middle:
    """Middle of a model's good population."""

    normally_closed: bool
    coil: CoilParameters
    armature: ArmatureParameters
    conductance_m3_s_pa: float
    seat_m: float
    leak_sccm: float
    limits: Limits


def _coil(r20_ohm: float, turns: float, pole_mm2: float, residual_mm: float, eddy_share: float) -> CoilParameters:
    """Make a coil; `eddy_share` is the conductance of the eddy loop times winding resistance over turns squared."""
    pole_m2 = pole_mm2 * 1e-6
    return CoilParameters(
        r20_ohm=r20_ohm,
        turns=turns,
        leakage_h=turns**2 * 9.0e-9,
        fixed_reluctance=4.0e6,
        saturation_wb=1.25 * pole_m2,
        pole_m2=pole_m2,
        residual_gap_m=residual_mm * 1e-3,
        fringe_1_m=150.0,
        eddy_s=eddy_share * turns**2 / r20_ohm,
    )


MIDDLES = {
    "alder-24": Middle(
        normally_closed=True,
        coil=_coil(24.5, 1100.0, 62.0, 0.18, 0.06),
        armature=ArmatureParameters(mass_kg=0.010, stroke_m=0.9e-3, preload_n=3.1, spring_n_m=1100.0),
        conductance_m3_s_pa=0.42e-8,
        seat_m=3.2e-3,
        leak_sccm=0.12,
        limits=Limits(22.0, 27.0, 5.0, 18.0),
    ),
    "birch-26": Middle(
        normally_closed=False,
        coil=_coil(26.5, 1150.0, 66.0, 0.18, 0.06),
        armature=ArmatureParameters(mass_kg=0.010, stroke_m=0.95e-3, preload_n=2.9, spring_n_m=1200.0),
        conductance_m3_s_pa=0.60e-8,
        seat_m=3.8e-3,
        leak_sccm=0.12,
        limits=Limits(24.0, 29.0, 5.0, 26.0),
    ),
    "cedar-44": Middle(
        normally_closed=True,
        coil=_coil(44.0, 1400.0, 50.0, 0.16, 0.06),
        armature=ArmatureParameters(mass_kg=0.010, stroke_m=0.8e-3, preload_n=2.2, spring_n_m=1000.0),
        conductance_m3_s_pa=0.20e-8,
        seat_m=2.4e-3,
        leak_sccm=0.08,
        limits=Limits(40.0, 48.0, 3.0, 8.5),
    ),
}

MODELS = tuple(MIDDLES)


def draw_good(model: str, condition: str, draw: random.Random) -> ValveParameters:
    """Draw a valve without a fault; it bears the name of the condition that is to come."""
    middle = MIDDLES[model]

    def about(value: float, part: float) -> float:
        """Normal spread, cut at two and a half standard deviations."""
        return value * (1.0 + part * max(-2.5, min(2.5, draw.gauss(0.0, 1.0))))

    coil = replace(
        middle.coil,
        r20_ohm=about(middle.coil.r20_ohm, 0.01),
        residual_gap_m=about(middle.coil.residual_gap_m, 0.06),
        saturation_wb=about(middle.coil.saturation_wb, 0.02),
        eddy_s=about(middle.coil.eddy_s, 0.08),
        plug_ohm=draw.uniform(0.002, 0.006),
    )
    armature = replace(
        middle.armature,
        stroke_m=about(middle.armature.stroke_m, 0.02),
        preload_n=about(middle.armature.preload_n, 0.04),
        spring_n_m=about(middle.armature.spring_n_m, 0.04),
        mass_kg=about(middle.armature.mass_kg, 0.01),
        viscous_n_s_m=about(middle.armature.viscous_n_s_m, 0.2),
        coulomb_n=about(middle.armature.coulomb_n, 0.2),
        restitution=about(middle.armature.restitution, 0.1),
    )
    armature = replace(armature, static_n=1.4 * armature.coulomb_n)
    port = PortParameters(
        area_m2=1.0, seat_m=middle.seat_m, leak_sccm=middle.leak_sccm * math.exp(draw.gauss(0.0, 0.35))
    )
    conductance = about(middle.conductance_m3_s_pa, 0.025)
    port = replace(port, area_m2=throat_m2(conductance, port, armature.stroke_m))
    return ValveParameters(model, condition, middle.normally_closed, coil, armature, port)


def throat_m2(conductance_m3_s_pa: float, port: PortParameters, stroke_m: float) -> float:
    """Narrowest area that gives a sonic conductance together with the curtain at full lift."""
    area = conductance_m3_s_pa * ANR_KG_M3 * math.sqrt(ANR_K) / (CHOKED * port.cd_choked)
    curtain = math.pi * port.seat_m * stroke_m
    return area * curtain / math.sqrt(curtain**2 - area**2)


def open_m2(port: PortParameters, lift_m: float) -> float:
    """Area of a port at a lift: its narrowest area and the curtain at the seat, one after the other."""
    curtain = math.pi * port.seat_m * lift_m
    return port.area_m2 * curtain / math.hypot(port.area_m2, curtain)
