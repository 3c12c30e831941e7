"""Simulated coil and armature against ngspice, over drawn valves, benches, vacuums and temperatures.

    python tests/benchmarks/ngspice_agreement.py --sets 50

Each set is a valve (drawn good, or sluggish now and then) on a drawn bench at a drawn supply. ngspice solves the same
valve as an equivalent network written here, apart from the simulator: flux, travel and speed are capacitors, forces and
reluctances are behavioural sources, and a run ends at each contact with the stop. There ngspice is started again with
the speed turned round, until the armature stays. Compared are the instant of pull-in and the current throughout.
"""

from __future__ import annotations

import argparse
import math
import random
import subprocess
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from simulators.world import MODELS, BenchParameters, ValveParameters, World, draw_bench, draw_valve

K1_ON_S = 40e-6
END_S, BOUNCE_S = 0.020, 0.006
SLUGGISH_END_S = 0.050
MU_0 = 1.25663706e-6
REST_M_S = 0.008
"""A slower bounce is not followed: a rule of the simulated valve itself, so it is given to both."""

Samples = NDArray[np.float64]

NETLIST = """coil and armature; f in units of 10 uWb, x in mm, v in m/s
Vs in 0 {emf}
R1 in a {ohm}
L1 a b {leakage} IC={i}
Vi b c 0
Bback c 0 V={turns}*{inv_g}*({turns}*I(Vi)-V(drop))
Bdrop drop 0 V=V(f)*1e-5*(V(gap)*1e-3/({mu_a}*(1+{fringe}*V(gap)*1e-3))+{iron}*(1+pow(V(f)*1e-5/{knee},6)))
Bgap gap 0 V={stroke}-V(x)+{residual}
Bpull pull 0 V=0.5*pow(V(f)*1e-5/(1+{fringe}*V(gap)*1e-3),2)/{mu_a}
Blift lift 0 V={lift}
Bseat seat 0 V={vacuum_n}/(1+pow(V(lift)/{decay},2))
Bnet net 0 V=V(pull)-{preload}-{spring}*V(x)*1e-3+{sign}*V(seat)
Bf 0 f I=1e5*{inv_g}*({turns}*I(Vi)-V(drop))
Cf f 0 1 IC={f}
Bacc acc 0 V=(V(net)-tanh(V(v)*1e4)*{coulomb}-{viscous}*V(v))/{mass}
Bv 0 v I={acceleration}
Cv v 0 1 IC={v}
Bx 0 x I={speed}
Cx x 0 1 IC={x}
.options reltol=1e-6 abstol=1e-12 method=gear
.tran 1u {span} 0 {longest} uic
.control
run
set wr_vecnames
set wr_singlescale
wrdata out.txt i(Vi) v(f) v(x) v(v) v(net)
quit
.endc
.end
"""


@dataclass
class Case:
    """One set: what is simulated, and what both found."""

    model: str
    valve: ValveParameters
    bench: BenchParameters
    vacuum_pa: float
    end_s: float


def draw_case(number: int) -> Case:
    """Draw one set. The winding's temperature is held, so that both solve the same resistance."""
    draw = random.Random(f"agreement {number}")
    model = MODELS[number % len(MODELS)]
    condition = "sluggish" if draw.random() < 0.2 else "good"
    valve = draw_valve(model, condition, number)
    kelvin = draw.uniform(280.0, 330.0)
    valve = replace(valve, coil=replace(valve.coil, winding_j_k=1e12), start_k=kelvin)
    bench = replace(draw_bench(number, spread=2.0), supply_open_v=draw.uniform(12.5, 14.5))
    return Case(model, valve, bench, 0.0, SLUGGISH_END_S if condition == "sluggish" else END_S)


def simulated(case: Case) -> tuple[float, Samples, Samples]:
    """Pull-in since K1 closed, instants since then, and the current at them."""
    world = World(case.bench, case.valve, seed=1)
    at_s = np.arange(1, round(case.end_s / 1e-5)) * 1e-5
    sampler = world.start_sampler(K1_ON_S + at_s[0], 1e-5, len(at_s))
    world.set_outputs(0x01)
    world.advance_to(K1_ON_S + case.end_s)
    pulled_s = next((m.t_s for m in world.motions if m.what == "meets" and m.stroke == 1.0), math.inf)
    return pulled_s - K1_ON_S, at_s, sampler.arrays["current_a"].copy()


def ngspice(case: Case, folder: Path) -> tuple[float, Samples, Samples]:
    """The same from the circuit simulator: pull-in, instants, current."""
    coil, arm, port, bench = case.valve.coil, case.valve.armature, case.valve.port, case.bench
    kelvin = case.valve.start_k or bench.ambient_k
    stroke = arm.stroke_m * 1e3
    fixed = {
        "emf": bench.supply_open_v,
        "ohm": coil.r20_ohm * (1 + 0.00393 * (kelvin - 293.15)) + coil.plug_ohm + bench.shunt_ohm + bench.source_ohm,
        "leakage": coil.leakage_h,
        "turns": coil.turns,
        "inv_g": 1 / coil.eddy_s,
        "mu_a": MU_0 * coil.pole_m2,
        "fringe": coil.fringe_1_m,
        "iron": coil.fixed_reluctance,
        "knee": coil.saturation_wb,
        "stroke": stroke,
        "residual": coil.residual_gap_m * 1e3,
        "preload": arm.preload_n,
        "spring": arm.spring_n_m,
        "coulomb": arm.coulomb_n,
        "viscous": arm.viscous_n_s_m,
        "mass": arm.mass_kg,
        "vacuum_n": case.vacuum_pa * math.pi / 4 * port.seat_m**2,
        "decay": port.lift_decay_m * 1e3,
        "lift": "V(x)" if case.valve.normally_closed else f"{stroke}-V(x)",
        "sign": -1 if case.valve.normally_closed else 1,
    }
    times, currents = [np.zeros(1)], [np.zeros(1)]
    now, pulled = 0.0, math.inf
    i = f = x = v = 0.0
    while now < case.end_s - 1e-7:
        moving = v != 0.0
        at_rest_end = stroke if x > 0.5 * stroke else 0.0
        # at rest: held until the net force exceeds static friction; in motion: free, past the stop for a while
        speed, acceleration = ("1e3*V(v)", "V(acc)") if moving else ("0", "0")
        held = at_rest_end == stroke and not moving
        span = min(case.end_s - now, BOUNCE_S) if v < 0.0 else case.end_s - now
        longest = "1u" if moving else "4u"
        net = NETLIST.format(
            **fixed,
            i=i,
            f=f,
            x=x if moving else at_rest_end,
            v=v,
            span=span,
            longest=longest,
            speed=speed,
            acceleration=acceleration,
        )
        (folder / "case.cir").write_text(net)
        subprocess.run(["ngspice", "-b", "case.cir"], cwd=folder, capture_output=True, timeout=120, check=True)
        t, ii, ff, xx, vv, nn = np.loadtxt(folder / "out.txt", skiprows=1).T
        if held:
            times.append(now + t[1:])
            currents.append(ii[1:])
            break
        if not moving:
            hit = int(np.argmax(nn > arm.static_n))
            if not nn[hit] > arm.static_n:
                times.append(now + t[1:])
                currents.append(ii[1:])
                break
            part = _part(nn, hit, arm.static_n)
        else:
            hit = int(np.argmax(xx >= stroke + 1e-12)) if v > 0.0 else _returns(xx, stroke)
            if hit <= 0:
                times.append(now + t[1:])
                currents.append(ii[1:])
                break
            part = _part(xx, hit, stroke)
        at = t[hit - 1] + part * (t[hit] - t[hit - 1])
        i, f = (float(a[hit - 1] + part * (a[hit] - a[hit - 1])) for a in (ii, ff))
        arrived = float(vv[hit - 1] + part * (vv[hit] - vv[hit - 1]))
        times += [now + t[1:hit], np.array([now + at])]
        currents += [ii[1:hit], np.array([i])]
        now += float(at)
        if not moving:
            x, v = 0.0, 1e-9
        else:
            pulled = min(pulled, now)
            x, v = stroke, -arm.restitution * arrived
            v = 0.0 if abs(v) < REST_M_S else v
    return pulled, np.concatenate(times), np.concatenate(currents)


def _part(values: Samples, hit: int, level: float) -> float:
    return float((level - values[hit - 1]) / (values[hit] - values[hit - 1]))


def _returns(travel: Samples, stroke: float) -> int:
    """First sample back at the stop after a bounce away from it."""
    away = int(np.argmax(travel < stroke - 1e-6))
    if not travel[away] < stroke - 1e-6:
        return -1
    back = int(np.argmax(travel[away:] >= stroke))
    return away + back if back else -1


def compare(case: Case, folder: Path) -> tuple[float, float, float]:
    """Pull-in by ngspice in s, difference of the simulator's in s, largest difference of current over full current."""
    ours_s, at_s, ours_a = simulated(case)
    theirs_s, spice_s, spice_a = ngspice(case, folder)
    full_a = case.bench.supply_open_v / (case.bench.source_ohm + case.bench.shunt_ohm + case.valve.coil.r20_ohm)
    theirs_a = np.interp(at_s, spice_s, spice_a)
    apart_s = 0.0 if math.isinf(ours_s) and math.isinf(theirs_s) else ours_s - theirs_s
    return theirs_s, apart_s, float(np.max(np.abs(ours_a - theirs_a))) / full_a


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sets", type=int, default=50)
    asked = parser.parse_args()
    apart_us, apart_part = [], []
    print(f"{'set':>4} {'model':10} {'pull-in ms':>11} {'apart us':>9} {'current apart, % of full':>25}")
    with tempfile.TemporaryDirectory() as name:
        for number in range(asked.sets):
            case = draw_case(number)
            pulled_s, apart_s, part = compare(case, Path(name))
            apart_us.append(abs(apart_s) * 1e6)
            apart_part.append(part * 100)
            print(
                f"{number:4} {case.model:10} {pulled_s * 1e3:11.4f} {apart_s * 1e6:9.2f} {part * 100:25.4f}", flush=True
            )
    print(f"{asked.sets} sets: pull-in at most {max(apart_us):.2f} us apart (goal 20),")
    print(f"current at most {max(apart_part):.3f} % of full scale apart (goal 1), bounces included")


if __name__ == "__main__":
    main()
