"""Populations of fictional valves: three models, eight conditions. All figures are our own invention."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace

from simulators.world.gas import ANR_K, ANR_KG_M3, CHOKED
from simulators.world.truths import ArmatureTruth, CoilTruth, PortTruth, ValveTruth

__all__ = ["CONDITIONS", "MODELS", "draw_valve"]


@dataclass(frozen=True)
class _Model:
    """Middle of a model's good population."""

    normally_closed: bool
    coil: CoilTruth
    armature: ArmatureTruth
    conductance_m3_s_pa: float
    seat_m: float
    leak_sccm: float


def _coil(r20_ohm: float, turns: float, pole_mm2: float, residual_mm: float, eddy_share: float) -> CoilTruth:
    """Make a coil; `eddy_share` is the conductance of the eddy loop times winding resistance over turns squared."""
    pole_m2 = pole_mm2 * 1e-6
    return CoilTruth(
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


_MODELS = {
    "alder-24": _Model(
        normally_closed=True,
        coil=_coil(24.5, 1100.0, 62.0, 0.18, 0.06),
        armature=ArmatureTruth(mass_kg=0.010, stroke_m=0.9e-3, preload_n=3.1, spring_n_m=1100.0),
        conductance_m3_s_pa=0.42e-8,
        seat_m=3.2e-3,
        leak_sccm=0.12,
    ),
    "birch-26": _Model(
        normally_closed=False,
        coil=_coil(26.5, 1150.0, 66.0, 0.18, 0.06),
        armature=ArmatureTruth(mass_kg=0.010, stroke_m=0.95e-3, preload_n=2.9, spring_n_m=1200.0),
        conductance_m3_s_pa=0.60e-8,
        seat_m=3.8e-3,
        leak_sccm=0.12,
    ),
    "cedar-44": _Model(
        normally_closed=True,
        coil=_coil(44.0, 1400.0, 50.0, 0.16, 0.06),
        armature=ArmatureTruth(mass_kg=0.010, stroke_m=0.8e-3, preload_n=2.2, spring_n_m=1000.0),
        conductance_m3_s_pa=0.20e-8,
        seat_m=2.4e-3,
        leak_sccm=0.08,
    ),
}

MODELS = tuple(_MODELS)
CONDITIONS = (
    "good",
    "open-coil",
    "shorted-turns",
    "stuck-closed",
    "stuck-open",
    "seat-leak",
    "restricted",
    "sluggish",
)


def draw_valve(model: str, condition: str, seed: int) -> ValveTruth:
    """Draw one valve.

    Parameters
    ----------
    model : str
        One of MODELS.
    condition : str
        One of CONDITIONS.
    seed : int
        The same valve every time for the same seed.

    Returns
    -------
    ValveTruth
        A good valve, then spoilt by its condition.

    Raises
    ------
    ValueError
        No such model or condition.

    Examples
    --------
    >>> draw_valve("cedar-44", "open-coil", 3).coil.r20_ohm
    inf
    """
    if model not in _MODELS:
        raise ValueError(f"No valve model is called {model!r}; there are {', '.join(MODELS)}.")
    if condition not in CONDITIONS:
        raise ValueError(f"No condition is called {condition!r}; there are {', '.join(CONDITIONS)}.")
    draw = random.Random(f"valve {model} {condition} {seed}")
    return _spoil(_draw_good(model, condition, draw), condition, draw)


def _draw_good(model: str, condition: str, draw: random.Random) -> ValveTruth:
    middle = _MODELS[model]

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
    port = PortTruth(area_m2=1.0, seat_m=middle.seat_m, leak_sccm=middle.leak_sccm * math.exp(draw.gauss(0.0, 0.35)))
    conductance = about(middle.conductance_m3_s_pa, 0.025)
    port = replace(port, area_m2=_throat_m2(conductance, port, armature.stroke_m))
    return ValveTruth(model, condition, middle.normally_closed, coil, armature, port)


def _throat_m2(conductance_m3_s_pa: float, port: PortTruth, stroke_m: float) -> float:
    """Narrowest area that gives a sonic conductance together with the curtain at full lift."""
    area = conductance_m3_s_pa * ANR_KG_M3 * math.sqrt(ANR_K) / (CHOKED * port.cd_choked)
    curtain = math.pi * port.seat_m * stroke_m
    return area * curtain / math.sqrt(curtain**2 - area**2)


def _spoil(valve: ValveTruth, condition: str, draw: random.Random) -> ValveTruth:
    coil, armature, port = valve.coil, valve.armature, valve.port
    if condition == "open-coil":
        coil = replace(coil, r20_ohm=math.inf)
    elif condition == "shorted-turns":
        coil = _short(coil, draw.uniform(0.60, 0.75))
    elif condition in ("stuck-closed", "stuck-open"):
        at_rest = (condition == "stuck-closed") == valve.normally_closed
        armature = replace(armature, blocked=0.0 if at_rest else 1.0)
    elif condition == "seat-leak":
        port = replace(port, leak_sccm=20.0 * 10.0 ** draw.uniform(0.0, 1.0))
    elif condition == "restricted":
        left = draw.uniform(0.15, 0.45)
        port = replace(
            port, area_m2=_throat_m2(left * _MODELS[valve.model].conductance_m3_s_pa, port, armature.stroke_m)
        )
    elif condition == "sluggish":
        # Against the force of the model's spring: sticky enough for two to five times the time.
        armature = replace(armature, viscous_n_s_m=draw.uniform(27.0, 48.0) * _MODELS[valve.model].armature.preload_n)
    return replace(valve, coil=coil, armature=armature, port=port)


def _short(coil: CoilTruth, left: float) -> CoilTruth:
    """Short the turns but the part `left`: they become a loop of their own around the same flux."""
    shorted = 1.0 - left
    loop_s = shorted * coil.turns**2 / coil.r20_ohm
    return replace(
        coil,
        r20_ohm=coil.r20_ohm * left,
        turns=coil.turns * left,
        leakage_h=coil.leakage_h * left**2,
        eddy_s=coil.eddy_s + 0.6 * loop_s,
    )
