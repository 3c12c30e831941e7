"""Electric and magnetic circuit of the coil: constants of one valve on one bench, and what follows from them.

The winding drives a flux through iron that saturates and through the working gap, which closes as the armature travels.
Secondary loops around the same flux (eddy currents in the iron, shorted turns) resist its change. With flux phi, coil
current i, turns N, secondary conductance g and leakage inductance Ll:

    N i - g dphi/dt = phi (gap reluctance + iron reluctance (1 + (phi/phi_s)^6))      (ampere-turns around the circuit)
    u = R i + Ll di/dt + N dphi/dt                                                  (volts around the winding)

Not modelled: hysteresis and remanence of the iron, depth profile of the eddy currents, capacitance of the winding.
"""

from __future__ import annotations

import math

from simulators.world.truths import ArmatureTruth, BenchTruth, CoilTruth

__all__ = ["MU_0", "Circuit"]

MU_0 = 4e-7 * math.pi
KELVIN_20C = 293.15


class Circuit:
    """Constants and closed relations; holds no state but how the coil is fed.

    Parameters
    ----------
    bench : BenchTruth
        Supply, shunt and diode.
    coil : CoilTruth
        Winding and iron.
    armature : ArmatureTruth
        For the stroke.

    Attributes
    ----------
    driven : bool
        The supply is on the coil; otherwise the current runs down through the diode.
    emf_v, loop_ohm : float
        Voltage in the loop that carries the current, and resistance in it apart from the winding.
    source_ohm : float
        Part of the latter over which the current makes the supply sag.
    """

    def __init__(self, bench: BenchTruth, coil: CoilTruth, armature: ArmatureTruth) -> None:
        self._bench = bench
        self.coil = coil
        self.stroke_m = armature.stroke_m
        self.turns = coil.turns
        self.inverse_leakage = 1.0 / coil.leakage_h
        self.inverse_eddy = 1.0 / coil.eddy_s
        self.iron = coil.fixed_reluctance
        self.inverse_knee2 = 1.0 / coil.saturation_wb**2
        self.fringe_1_m = coil.fringe_1_m
        self.inverse_area = 1.0 / (MU_0 * coil.pole_m2)
        self.full_a = bench.supply_open_v / (bench.source_ohm + bench.shunt_ohm + coil.r20_ohm)
        self.driven = False
        self.emf_v = self.loop_ohm = self.source_ohm = 0.0
        self.feed(driven=False)

    @property
    def is_open(self) -> bool:
        """Whether the winding is interrupted."""
        return math.isinf(self.coil.r20_ohm)

    def feed(self, *, driven: bool) -> None:
        """Put the supply on the coil, or take it off."""
        self.driven = driven
        self.emf_v = self._bench.supply_open_v if driven else -self._bench.diode_v
        self.source_ohm = self._bench.source_ohm if driven else 0.0
        self.loop_ohm = self._bench.shunt_ohm + self.coil.plug_ohm + self.source_ohm

    def winding_ohm(self, winding_k: float) -> float:
        """Resistance of the winding at its temperature."""
        return self.coil.r20_ohm * (1.0 + self.coil.warms_1_k * (winding_k - KELVIN_20C))

    def gap_reluctance(self, travel_m: float) -> float:
        """Reluctance of the working gap."""
        gap = self.stroke_m - travel_m + self.coil.residual_gap_m
        return gap * self.inverse_area / (1.0 + self.fringe_1_m * gap)

    def pull_n(self, flux_wb: float, travel_m: float) -> float:
        """Magnetic force: half the flux squared times the fall of reluctance with travel (from the field's energy)."""
        gap = self.stroke_m - travel_m + self.coil.residual_gap_m
        widened = 1.0 + self.fringe_1_m * gap
        return 0.5 * flux_wb * flux_wb * self.inverse_area / (widened * widened)

    def drive_a(self, flux_wb: float, travel_m: float) -> float:
        """Ampere-turns that hold a flux."""
        u = flux_wb * flux_wb * self.inverse_knee2
        return flux_wb * (self.gap_reluctance(travel_m) + self.iron * (1.0 + u * u * u))

    def fast_rate(self, ohm: float) -> float:
        """Rate at which the current follows the flux through the leakage inductance, 1/s."""
        return (ohm + self.turns * self.turns * self.inverse_eddy) * self.inverse_leakage
