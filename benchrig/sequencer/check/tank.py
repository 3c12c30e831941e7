"""The bench check's look at a vacuum tank: whether it keeps what was drawn, and whether its pump stops."""

from __future__ import annotations

from benchrig.analysis.gas.air import sccm_from_pv_flow
from benchrig.bench.bench import Bench
from benchrig.bench.file import TankTable
from benchrig.bench.wiring import closed_up
from benchrig.drivers.relay_board import Output
from benchrig.sequencer.check.findings import Findings
from benchrig.sequencer.operator import Operator

__all__ = ["NO_LET_DOWN", "tank_tight"]

SETTLE_S, WATCH_S = 5.0, 10.0
PUMPED_PART = 1 / 3
"""A tank that loses by itself more than this part of what it may leak is being pumped (engineering judgement)."""
NO_LET_DOWN = (
    "What does the tank's gauge say? Not drawn down: wait for the pump; if it stands, its vacuum switch and its feed; "
    "if it runs, its diaphragm, the tank's cock and joints. Drawn down: do vent (K5) and isolation valve (K4) switch, "
    "is the blind plug home, is the restrictor free?"
)
"""What to do where the manifold is not let down in time."""


def tank_tight(bench: Bench, operator: Operator, found: Findings, tank: TankTable) -> None:
    """Watch tank and manifold, joined, after they were drawn to less than the vacuum switch wants: the pump stands."""
    bench.switch(closed_up(coil=False) | {Output.ISOLATION})
    bench.wait(SETTLE_S)
    began_s, began_pa = bench.clock.now(), bench.pressure_pa(200)
    operator.doing("tank's leak", 0.0, WATCH_S, f"{began_pa / 1000:.2f} kPa")
    bench.wait(WATCH_S)
    seconds, rise_pa = bench.clock.now() - began_s, bench.pressure_pa(200) - began_pa
    both_m3 = bench.file.reservoir.volume_m3 + tank.volume_l * 1e-3
    bench.switch(closed_up(coil=False))
    found.measured(
        "tank",
        sccm_from_pv_flow(both_m3 * rise_pa / seconds, bench.ambient_k()),
        "sccm",
        low=-PUMPED_PART * tank.leak_most_sccm,
        high=tank.leak_most_sccm,
        why="the pump runs: K3 is welded, or the vacuum switch does not stop it"
        if rise_pa < 0
        else "the pump has to make up for that all day, and a run may find the tank not drawn down",
        to_do="Does the pump stop? Else relay K3 and the vacuum switch. Then the tank's joints, cock and gauge, the "
        "check valve before the pump.",
    )
