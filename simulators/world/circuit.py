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

from simulators.world.parameters import ArmatureParameters, BenchParameters, CoilParameters

__all__ = ["MU_0", "Circuit"]

MU_0 = 4e-7 * math.pi
KELVIN_20C = 293.15
NOTHING_FLOWS_V = -1e12
"""Counter-voltage that stands for a parted wire: no change of flux ever drives a current against it."""


class Circuit:
    """Constants and closed relations; holds no state but how the coil is fed.

    Parameters
    ----------
    bench : BenchParameters
        Supply, shunt and diode.
    coil : CoilParameters
        Winding and iron.
    armature : ArmatureParameters
        For the stroke.

    Attributes
    ----------
    fed, interrupted, driven : bool
        The supply is on the coil, the coil is parted, and the first without the second. When not fed, the current
        runs down through the freewheel diode.
    supply_open_v, bench_source_ohm : float
        Of the supply; a change is felt from the next `feed` on.
    emf_v, loop_ohm : float
        Voltage in the loop that carries the current, and resistance in it apart from the winding.
    source_ohm : float
        Part of the latter over which the current makes the supply sag.
    """

    def __init__(self, bench: BenchParameters, coil: CoilParameters, armature: ArmatureParameters) -> None:
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
        self.supply_open_v, self.bench_source_ohm = bench.supply_open_v, bench.source_ohm
        self.full_a = bench.supply_open_v / (bench.source_ohm + bench.shunt_ohm + coil.r20_ohm)
        self.fed = self.driven = self.interrupted = False
        self.bypass_a = self.bypass_part = 0.0
        self.emf_v = self.loop_ohm = self.source_ohm = 0.0
        self.feed(driven=False)

    @property
    def is_open(self) -> bool:
        """Whether the winding is interrupted."""
        return math.isinf(self.coil.r20_ohm)

    def feed(self, *, driven: bool) -> None:
        """Put the supply on the coil, or take it off."""
        self.fed = driven
        self.driven = driven and not self.interrupted
        self.source_ohm = self.bench_source_ohm if driven else 0.0
        feeding_ohm = self._bench.shunt_ohm + self.source_ohm
        self.emf_v = self.supply_open_v if driven else -self._bench.diode_v
        self.bypass_a = self.bypass_part = 0.0
        if driven and not math.isinf(self.coil.bypass_ohm):
            # The diode and the feeding resistance together are another source, with less voltage and resistance.
            both_ohm = feeding_ohm + self.coil.bypass_ohm
            self.emf_v = (self.emf_v * self.coil.bypass_ohm + self.coil.bypass_v * feeding_ohm) / both_ohm
            feeding_ohm *= self.coil.bypass_ohm / both_ohm
            self.bypass_a = (self.emf_v - self.coil.bypass_v) / self.coil.bypass_ohm
            self.bypass_part = -feeding_ohm / self.coil.bypass_ohm
        if self.interrupted:
            self.emf_v = NOTHING_FLOWS_V
        self.loop_ohm = feeding_ohm + self.coil.plug_ohm

    def interrupt(self, *, interrupted: bool) -> None:
        """Part the winding's circuit, or join it again."""
        if interrupted != self.interrupted:
            self.interrupted = interrupted
            self.feed(driven=self.fed)

    def shunt_a(self, winding_a: float) -> float:
        """Current through the shunt: that of the winding, and of a diode beside it."""
        return winding_a + self.bypass_a + self.bypass_part * winding_a

    def winding_ohm(self, winding_k: float) -> float:
        """Resistance of the winding at its temperature."""
        ohm = self.coil.r20_ohm * (1.0 + self.coil.warms_1_k * (winding_k - KELVIN_20C))
        if self.coil.joint_ohm and winding_k > self.coil.joint_from_k:
            x = min((winding_k - self.coil.joint_from_k) / self.coil.joint_width_k, 1.0)
            ohm += self.coil.joint_ohm * x * x * (3.0 - 2.0 * x)
        return ohm

    def warming_ohm_k(self, winding_k: float) -> float:
        """What a kelvin adds to it."""
        slope = self.coil.r20_ohm * self.coil.warms_1_k
        if self.coil.joint_ohm:
            x = (winding_k - self.coil.joint_from_k) / self.coil.joint_width_k
            if 0.0 < x < 1.0:
                slope += self.coil.joint_ohm * 6.0 * x * (1.0 - x) / self.coil.joint_width_k
        return slope

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
