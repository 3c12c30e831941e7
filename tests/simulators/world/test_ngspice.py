"""Instant of pull-in against a circuit simulator that solves the same valve as an equivalent network."""

import os
import re
import shutil
import subprocess
from dataclasses import replace

import pytest

from simulators.world import MODELS, BenchParameters, World, draw_valve
from tests.benchmarks.ngspice_agreement import compare, draw_case

MU_0 = 1.25663706e-6
K1_ON_S = 40e-6

NETLIST = """pull-in of a solenoid valve; f in units of 10 uWb, x in mm, v in m/s
Vs in 0 {emf}
R1 in a {ohm}
L1 a b {leakage} IC=0
Vi b c 0
Bback c 0 V={turns}*{inv_g}*({turns}*I(Vi)-V(drop))
Bdrop drop 0 V=V(f)*1e-5*(V(gap)*1e-3/({mu_a}*(1+{fringe}*V(gap)*1e-3))+{iron}*(1+pow(V(f)*1e-5/{knee},6)))
Bgap gap 0 V={stroke_mm}-V(x)+{residual_mm}
Bnet net 0 V=0.5*pow(V(f)*1e-5/(1+{fringe}*V(gap)*1e-3),2)/{mu_a}-{preload}-{spring}*V(x)*1e-3
Bf 0 f I=1e5*{inv_g}*({turns}*I(Vi)-V(drop))
Cf f 0 1 IC=0
Bacc acc 0 V=(V(net)-{coulomb}-{viscous}*V(v))/{mass}
Bv 0 v I=(V(x) > {stroke_mm}+0.02) ? 0 : (V(x) > 1e-9) ? V(acc) : ((V(net) > {static}) ? V(acc) : 0)
Cv v 0 1 IC=0
* a little past the stop nothing moves on: what comes after arrival is not wanted
Bx 0 x I=(V(x) < {stroke_mm}+0.02) ? 1e3*V(v) : 0
Cx x 0 1 IC=0
.options reltol=1e-6 method=gear
.tran 1u 15m 0 2u uic
.meas tran pull when V(x)={stroke_mm} rise=1
.end
"""


def ngspice_pull_in_s(valve, bench, folder):
    coil, arm = valve.coil, valve.armature
    net = folder / "valve.cir"
    net.write_text(
        NETLIST.format(
            emf=bench.supply_open_v,
            ohm=coil.r20_ohm * (1 + 0.00393 * (bench.ambient_k - 293.15))
            + coil.plug_ohm
            + bench.shunt_ohm
            + bench.source_ohm,
            leakage=coil.leakage_h,
            turns=coil.turns,
            inv_g=1 / coil.eddy_s,
            mu_a=MU_0 * coil.pole_m2,
            fringe=coil.fringe_1_m,
            iron=coil.fixed_reluctance,
            knee=coil.saturation_wb,
            stroke_mm=arm.stroke_m * 1e3,
            residual_mm=coil.residual_gap_m * 1e3,
            preload=arm.preload_n,
            spring=arm.spring_n_m,
            coulomb=arm.coulomb_n,
            viscous=arm.viscous_n_s_m,
            mass=arm.mass_kg,
            static=arm.static_n,
        )
    )
    done = subprocess.run(
        ["ngspice", "-b", str(net)], cwd=folder, capture_output=True, text=True, timeout=60, check=True
    )
    assert "warning" not in (done.stdout + done.stderr).lower(), done.stdout + done.stderr
    found = re.search(r"^pull\s*=\s*(\S+)", done.stdout, re.MULTILINE)
    assert found, done.stdout
    return float(found.group(1))


def need_ngspice():
    if shutil.which("ngspice") is None:
        reason = "ngspice is not installed; `apt install ngspice` to hold the pull-in against a circuit simulator"
        if os.environ.get("BENCHRIG_REQUIRE_ALL") == "1":
            pytest.fail(reason)
        pytest.skip(reason)


@pytest.mark.slow
@pytest.mark.parametrize("number", [0, 1, 5])
def test_drawn_valves_pull_in_and_bounce_as_the_circuit_simulator_says(number, tmp_path):
    """Three of the sets of tests/benchmarks/ngspice_agreement.py: one of each model."""
    need_ngspice()
    pulled_s, apart_s, current_part = compare(draw_case(number), tmp_path)
    assert 5e-3 < pulled_s < 15e-3
    assert abs(apart_s) < 20e-6
    assert current_part < 0.01


@pytest.mark.slow
@pytest.mark.parametrize("model", MODELS)
def test_the_armature_arrives_when_the_circuit_simulator_says(model, tmp_path):
    need_ngspice()
    bench = BenchParameters()
    valve = draw_valve(model, "good", 11)
    valve = replace(valve, coil=replace(valve.coil, winding_j_k=1e12))
    world = World(bench, valve, seed=1)
    world.set_outputs(0x01)
    world.advance_to(0.02)
    arrived_s = next(m.t_s for m in world.motions if m.what == "meets")
    assert arrived_s - K1_ON_S == pytest.approx(ngspice_pull_in_s(valve, bench, tmp_path), abs=2e-6)
