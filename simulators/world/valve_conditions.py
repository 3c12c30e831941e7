"""What spoils a valve, and how badly. How bad each condition gets is our own invention.

A severity counts from 0, just outside the model's own limits (or, where no limit applies, the least that still deserves
the name), to 1, grossly so. Without a severity the eight conditions of the main job are drawn clearly bad, and the
others somewhere in their upper half.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace

from simulators.world.models import MIDDLES, MODELS, draw_good, open_m2, throat_m2
from simulators.world.nozzle import ANR_K, ANR_KG_M3, CHOKED, discharge, nozzle_flux
from simulators.world.parameters import CoilParameters, ValveParameters
from simulators.world.pull_in import slowed_to

__all__ = ["CONDITIONS", "MAIN_CONDITIONS", "SET_BY_VALUE", "spoil", "spoil_to"]

ATMOSPHERE_PA = 101_325.0
BENCH_K = 295.15
"""Temperature of the demo bench's ambient; what fails warm fails so much above it."""
SLUGGISH_N_S_M_PER_N = {"alder-24": (22.0, 60.0), "birch-26": (21.5, 60.0), "cedar-44": (25.0, 60.0)}
"""Viscous friction against the force of the model's spring, barely and grossly: found by trial, so that the slower of
the two times is 1.1 and 2.3 times its limit."""
WEAK_SPRING_LEFT = {"alder-24": (0.075, 0.015), "birch-26": (0.08, 0.015), "cedar-44": (0.055, 0.012)}
"""Part of the spring's force that is left, likewise: barely drops out 1.1 times its limit after the end of the pulse,
and grossly is held up by friction alone."""
FUEL_PA = (200.0, 10_000.0)
"""Vapour pressure of what is left of the fuel: barely, its heavy ends; grossly, fresh."""
FUEL_S = (5.0, 100.0)
FUEL_MOL = (0.01, 0.05)
"""One to five grams."""
LEAST_TO_FIND = 1e-3


def spoil(valve: ValveParameters, condition: str, draw: random.Random, severity: float | None) -> ValveParameters:
    """Do to a good valve what a condition's name says.

    Parameters
    ----------
    valve : ValveParameters
        A good one.
    condition : str
        One of CONDITIONS.
    draw : random.Random
        Gives what is not settled by the severity.
    severity : float or None
        0 (barely) to 1 (grossly); None for the usual, clearly bad one.

    Raises
    ------
    ValueError
        The severity is not between 0 and 1.
    """
    if severity is not None:
        if not 0.0 <= severity <= 1.0:
            raise ValueError(f"A severity lies between 0 (barely) and 1 (grossly); {severity!r} does not.")
        return _GRADED[condition](valve, draw, severity)
    if condition in _DRAWN:
        return _DRAWN[condition](valve, draw)
    return _GRADED[condition](valve, draw, draw.uniform(0.5, 1.0))


def spoil_to(valve: ValveParameters, condition: str, draw: random.Random, value: float) -> ValveParameters:
    """Give a good valve a condition so that the figure that it puts out of limits is exactly so.

    Parameters
    ----------
    valve : ValveParameters
        A good one.
    condition : str
        One of SET_BY_VALUE.
    draw : random.Random
        Gives what is not settled by the value.
    value : float
        Leak in cm3/min at 0 degC and 101.325 kPa; flow at the rated vacuum in L/min ANR; resistance of the coil at
        20 degC in ohms; pull-in time in ms.

    Raises
    ------
    ValueError
        The condition is none of these, or the valve cannot be brought to the value.
    """
    if condition not in SET_BY_VALUE:
        raise ValueError(f"A value is for {', '.join(SET_BY_VALUE)}; {condition} takes none.")
    if not 0.0 < value < math.inf:
        raise ValueError(f"A value is a number above 0; {value!r} is not.")
    if condition == "restricted":
        ratio = 1.0 - MIDDLES[valve.model].limits.rated_vacuum_pa / ATMOSPHERE_PA
        through = value - _leak_lpm_anr(valve.port.leak_sccm)
        conductance = through / _rated_flow_lpm_anr(valve, 1.0, ratio)
        widest = math.pi * valve.port.seat_m * valve.armature.stroke_m
        if not 0.0 < conductance < 0.95 * widest * CHOKED * valve.port.cd_choked / (ANR_KG_M3 * math.sqrt(ANR_K)):
            raise ValueError(f"{valve.model} cannot let {value:g} L/min through.")
        return _throttled(valve, conductance)
    if condition == "shorted-turns":
        if not 0.3 < value / valve.coil.r20_ohm <= 1.0:
            raise ValueError(
                f"Shorted turns leave a coil of {valve.coil.r20_ohm:.1f} ohm at most that: not {value:g} ohm."
            )
        return replace(valve, coil=_short(valve.coil, value / valve.coil.r20_ohm))
    if condition == "high-resistance-joint":
        if value < valve.coil.r20_ohm:
            raise ValueError(f"A joint leaves a coil of {valve.coil.r20_ohm:.1f} ohm at least that: not {value:g} ohm.")
        more_ohm = value - valve.coil.r20_ohm
        return replace(valve, coil=replace(valve.coil, plug_ohm=valve.coil.plug_ohm + more_ohm))
    if condition == "sluggish":
        return slowed_to(1e-3 * value, lambda per_n: _damped(valve, per_n), 1.5 * SLUGGISH_N_S_M_PER_N[valve.model][1])
    if condition == "wet-and-leaking":
        valve = _wet_graded(valve, draw, draw.random())
    return replace(valve, port=replace(valve.port, leak_sccm=value))


def _leak_lpm_anr(sccm: float) -> float:
    """What a choked leak adds to the flow, in L/min ANR."""
    return sccm * 1e-3 * (1.2929 / ANR_KG_M3)


def _between(barely: float, grossly: float, severity: float) -> float:
    """Go from one to the other by equal factors."""
    return barely * math.pow(grossly / barely, severity)


# --- the eight of the main job, drawn clearly bad ---------------------------------------------------------------------


def _same(valve: ValveParameters, _draw: random.Random) -> ValveParameters:
    return valve


def _open_coil(valve: ValveParameters, _draw: random.Random) -> ValveParameters:
    return replace(valve, coil=replace(valve.coil, r20_ohm=math.inf))


def _shorted_turns(valve: ValveParameters, draw: random.Random) -> ValveParameters:
    return replace(valve, coil=_short(valve.coil, draw.uniform(0.60, 0.75)))


def _stuck_closed(valve: ValveParameters, _draw: random.Random) -> ValveParameters:
    return _jammed(valve, at_rest=valve.normally_closed)


def _stuck_open(valve: ValveParameters, _draw: random.Random) -> ValveParameters:
    return _jammed(valve, at_rest=not valve.normally_closed)


def _seat_leak(valve: ValveParameters, draw: random.Random) -> ValveParameters:
    return replace(valve, port=replace(valve.port, leak_sccm=20.0 * 10.0 ** draw.uniform(0.0, 1.0)))


def _restricted(valve: ValveParameters, draw: random.Random) -> ValveParameters:
    return _throttled(valve, draw.uniform(0.15, 0.45) * MIDDLES[valve.model].conductance_m3_s_pa)


def _sluggish(valve: ValveParameters, draw: random.Random) -> ValveParameters:
    # Against the force of the model's spring: sticky enough for two to five times the time.
    return _damped(valve, draw.uniform(27.0, 48.0))


# --- and as bad as asked for ------------------------------------------------------------------------------------------


def _good_graded(valve: ValveParameters, _draw: random.Random, _severity: float) -> ValveParameters:
    return valve


def _open_graded(valve: ValveParameters, _draw: random.Random, severity: float) -> ValveParameters:
    """Break the wire: barely, and a burnt or wet gap still conducts a little."""
    ohm = math.inf if severity == 1.0 else _between(1e3, 1e7, severity)
    return replace(valve, coil=replace(valve.coil, r20_ohm=ohm))


def _short_graded(valve: ValveParameters, _draw: random.Random, severity: float) -> ValveParameters:
    middle = MIDDLES[valve.model]
    ohm = _between(0.975 * middle.limits.ohm_low, 0.55 * middle.coil.r20_ohm, severity)
    return replace(valve, coil=_short(valve.coil, ohm / valve.coil.r20_ohm))


def _stuck_closed_graded(valve: ValveParameters, _draw: random.Random, severity: float) -> ValveParameters:
    return _jammed(valve, at_rest=valve.normally_closed, play=0.1 * (1.0 - severity))


def _stuck_open_graded(valve: ValveParameters, _draw: random.Random, severity: float) -> ValveParameters:
    return _jammed(valve, at_rest=not valve.normally_closed, play=0.1 * (1.0 - severity))


def _leak_graded(valve: ValveParameters, _draw: random.Random, severity: float) -> ValveParameters:
    sccm = _between(1.15 * MIDDLES[valve.model].limits.leak_sccm, 200.0, severity)
    return replace(valve, port=replace(valve.port, leak_sccm=sccm))


def _restricted_graded(valve: ValveParameters, _draw: random.Random, severity: float) -> ValveParameters:
    middle = MIDDLES[valve.model]
    limits = middle.limits
    ratio = 1.0 - limits.rated_vacuum_pa / ATMOSPHERE_PA
    at_limit = limits.flow_lpm_anr / _rated_flow_lpm_anr(valve, middle.conductance_m3_s_pa, ratio)
    return _throttled(valve, middle.conductance_m3_s_pa * _between(0.94 * at_limit, 0.10, severity))


def _sluggish_graded(valve: ValveParameters, _draw: random.Random, severity: float) -> ValveParameters:
    return _damped(valve, _between(*SLUGGISH_N_S_M_PER_N[valve.model], severity))


def _joint_graded(valve: ValveParameters, _draw: random.Random, severity: float) -> ValveParameters:
    """Corrode a joint between plug and winding: barely, the whole is 2.5 % above the model's limit."""
    barely = 1.025 * MIDDLES[valve.model].limits.ohm_high - valve.coil.r20_ohm
    ohm = _between(barely, 2.0 * MIDDLES[valve.model].coil.r20_ohm, severity)
    return replace(valve, coil=replace(valve.coil, plug_ohm=valve.coil.plug_ohm + ohm))


def _warm_joint_graded(valve: ValveParameters, _draw: random.Random, severity: float) -> ValveParameters:
    """Let a joint fail as load warms the winding: barely, late and by little; grossly, at once and nearly open."""
    middle = MIDDLES[valve.model]
    ohm = _between(1.2 * (middle.limits.ohm_high - middle.coil.r20_ohm), 40.0 * middle.coil.r20_ohm, severity)
    from_k = BENCH_K + _between(8.0, 0.5, severity)
    return replace(valve, coil=replace(valve.coil, joint_ohm=ohm, joint_from_k=from_k, joint_width_k=2.0))


def _intermittent_graded(valve: ValveParameters, draw: random.Random, severity: float) -> ValveParameters:
    """Loosen a joint: barely, 3 ms open each second; grossly, open 40 % of the time."""
    every_s, gap_s = _between(1.0, 0.15, severity), _between(0.003, 0.10, severity)
    seed = draw.randrange(1 << 30)
    return replace(valve, coil=replace(valve.coil, gap_every_s=every_s, gap_s=gap_s, gap_seed=seed))


def _warm_coil_graded(valve: ValveParameters, _draw: random.Random, severity: float) -> ValveParameters:
    """Break the wire inside the winding, so that it parts when warm: barely 12 K above the bench, grossly 1 K."""
    opens_k = BENCH_K + _between(12.0, 1.0, severity)
    return replace(valve, coil=replace(valve.coil, opens_k=opens_k, closes_k=opens_k - 0.5))


def _reversed_diode_graded(valve: ValveParameters, _draw: random.Random, severity: float) -> ValveParameters:
    """Turn the suppression diode round: barely, half burnt out, a load like the coil itself; grossly, a dead short."""
    ohm = _between(1.5 * MIDDLES[valve.model].coil.r20_ohm, 0.05, severity)
    return replace(valve, coil=replace(valve.coil, bypass_ohm=ohm))


def _sticks_warm_graded(valve: ValveParameters, _draw: random.Random, severity: float) -> ValveParameters:
    """Let friction grow as the coil warms: barely, over its time limit 10 K above the bench; grossly, 1 K above."""
    barely, grossly = SLUGGISH_N_S_M_PER_N[valve.model]
    preload = MIDDLES[valve.model].armature.preload_n
    slope = _between(barely / 10.0, grossly, severity) * preload
    return replace(valve, armature=replace(valve.armature, sticks_from_k=BENCH_K + 0.2, sticks_n_s_m_k=slope))


def _clearing_graded(valve: ValveParameters, _draw: random.Random, severity: float) -> ValveParameters:
    """Put dirt on guide and seat: slow and leaking at first, barely gone after two clicks, grossly after eight."""
    per_n = _between(*SLUGGISH_N_S_M_PER_N[valve.model], severity)
    armature = replace(
        valve.armature,
        dirt_n_s_m=per_n * MIDDLES[valve.model].armature.preload_n,
        dirt_clicks=round(_between(2.0, 8.0, severity)),
    )
    sccm = _between(1.15 * MIDDLES[valve.model].limits.leak_sccm, 100.0, severity)
    return replace(valve, armature=armature, port=replace(valve.port, dirt_sccm=sccm))


def _weak_spring_graded(valve: ValveParameters, _draw: random.Random, severity: float) -> ValveParameters:
    left = _between(*WEAK_SPRING_LEFT[valve.model], severity)
    armature = valve.armature
    weak = replace(armature, preload_n=left * armature.preload_n, spring_n_m=left * armature.spring_n_m)
    return replace(valve, armature=weak)


def _wet_graded(valve: ValveParameters, draw: random.Random, severity: float) -> ValveParameters:
    """Leave fuel in valve and hose: its vapour pressure by the severity, how fast it evaporates by chance."""
    port = replace(
        valve.port,
        fuel_pa=_between(*FUEL_PA, severity),
        fuel_s=_between(*FUEL_S, draw.random()),
        fuel_mol=_between(*FUEL_MOL, draw.random()),
    )
    return replace(valve, port=port)


def _wet_leak_graded(valve: ValveParameters, draw: random.Random, severity: float) -> ValveParameters:
    """Wet by chance, and leaking by the severity: barely, just over the limit."""
    return _leak_graded(_wet_graded(valve, draw, draw.random()), draw, severity)


def _chatter_graded(valve: ValveParameters, draw: random.Random, severity: float) -> ValveParameters:
    """Let the armature's blows part a joint: barely, a gap of 8 ms in a third of a second; grossly, 30 ms in 60."""
    every_s, gap_s = _between(0.3, 0.06, severity), _between(0.008, 0.030, severity)
    seed = draw.randrange(1 << 30)
    coil = replace(valve.coil, gap_every_s=every_s, gap_s=gap_s, gap_seed=seed, gap_under_load=True)
    return replace(valve, coil=coil)


def _half_open_graded(valve: ValveParameters, _draw: random.Random, severity: float) -> ValveParameters:
    """Stop the armature on its way: barely, the flow is 6 % below its limit; grossly, a tenth of the stroke is left."""
    limits = MIDDLES[valve.model].limits
    ratio = 1.0 - limits.rated_vacuum_pa / ATMOSPHERE_PA

    def flow(lift: float) -> float:
        m2 = open_m2(valve.port, lift * valve.armature.stroke_m)
        return _rated_flow_lpm_anr(valve, m2 * CHOKED * valve.port.cd_choked / (ANR_KG_M3 * math.sqrt(ANR_K)), ratio)

    low, high = 0.05, 1.0
    while high - low > LEAST_TO_FIND:
        middle = 0.5 * (low + high)
        low, high = (low, middle) if flow(middle) > 0.94 * limits.flow_lpm_anr else (middle, high)
    lift = _between(low, 0.1, severity)
    if valve.normally_closed:
        return replace(valve, armature=replace(valve.armature, free_to=lift))
    return replace(valve, armature=replace(valve.armature, free_from=1.0 - lift))


def _wrong_part_graded(valve: ValveParameters, draw: random.Random, severity: float) -> ValveParameters:
    """Take another model's valve: the one whose coil comes nearest, or at a severity above a half, the other one."""

    def apart(model: str) -> float:
        return abs(math.log(MIDDLES[model].coil.r20_ohm / MIDDLES[valve.model].coil.r20_ohm))

    near, far = sorted((model for model in MODELS if model != valve.model), key=apart)
    other = draw_good(near if severity <= 0.5 else far, valve.condition, draw)
    return replace(other, model=valve.model)


# --- what they are made of --------------------------------------------------------------------------------------------


def _short(coil: CoilParameters, left: float) -> CoilParameters:
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


def _jammed(valve: ValveParameters, *, at_rest: bool, play: float = 0.0) -> ValveParameters:
    """Jam the armature at rest or pulled in, with a little play (part of the stroke) left to it or none."""
    if play > 0.0:
        low, high = (0.0, play) if at_rest else (1.0 - play, 1.0)
        return replace(valve, armature=replace(valve.armature, free_from=low, free_to=high))
    return replace(valve, armature=replace(valve.armature, blocked=0.0 if at_rest else 1.0))


def _throttled(valve: ValveParameters, conductance_m3_s_pa: float) -> ValveParameters:
    area_m2 = throat_m2(conductance_m3_s_pa, valve.port, valve.armature.stroke_m)
    return replace(valve, port=replace(valve.port, area_m2=area_m2))


def _damped(valve: ValveParameters, per_n: float) -> ValveParameters:
    viscous = per_n * MIDDLES[valve.model].armature.preload_n
    return replace(valve, armature=replace(valve.armature, viscous_n_s_m=viscous))


def _rated_flow_lpm_anr(valve: ValveParameters, conductance_m3_s_pa: float, ratio: float) -> float:
    """Flow at a pressure ratio through a port of this sonic conductance, in L/min of reference air."""
    choked_lpm_anr = conductance_m3_s_pa * ATMOSPHERE_PA * 60_000.0
    shape = discharge(valve.port, ratio) * nozzle_flux(ratio)
    return choked_lpm_anr * shape / (discharge(valve.port, 0.1) * nozzle_flux(0.1))


_DRAWN: dict[str, Callable[[ValveParameters, random.Random], ValveParameters]] = {
    "good": _same,
    "open-coil": _open_coil,
    "shorted-turns": _shorted_turns,
    "stuck-closed": _stuck_closed,
    "stuck-open": _stuck_open,
    "seat-leak": _seat_leak,
    "restricted": _restricted,
    "sluggish": _sluggish,
}
_GRADED: dict[str, Callable[[ValveParameters, random.Random, float], ValveParameters]] = {
    "good": _good_graded,
    "open-coil": _open_graded,
    "shorted-turns": _short_graded,
    "stuck-closed": _stuck_closed_graded,
    "stuck-open": _stuck_open_graded,
    "seat-leak": _leak_graded,
    "restricted": _restricted_graded,
    "sluggish": _sluggish_graded,
    "high-resistance-joint": _joint_graded,
    "joint-fails-warm": _warm_joint_graded,
    "intermittent-joint": _intermittent_graded,
    "weak-spring": _weak_spring_graded,
    "sticks-warm": _sticks_warm_graded,
    "clears-after-clicks": _clearing_graded,
    "wrong-part": _wrong_part_graded,
    "reversed-diode": _reversed_diode_graded,
    "coil-fails-warm": _warm_coil_graded,
    "wet": _wet_graded,
    "wet-and-leaking": _wet_leak_graded,
    "chatter": _chatter_graded,
    "half-open": _half_open_graded,
}

SET_BY_VALUE = ("seat-leak", "wet-and-leaking", "restricted", "shorted-turns", "high-resistance-joint", "sluggish")
"""Conditions that are one figure out of its limits, which can be given instead of a severity: within them too."""
MAIN_CONDITIONS = tuple(_DRAWN)
CONDITIONS = tuple(_GRADED)
