"""What is true of one bench and of one valve: plain figures in SI units. All default figures are our own invention."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

__all__ = [
    "ROOM_MOST_K",
    "ArmatureParameters",
    "BenchParameters",
    "CoilParameters",
    "InstrumentErrors",
    "PortParameters",
    "ValveParameters",
]

ROOM_MOST_K = 10.0
"""A room that drifts goes no further than this (our own invention)."""


@dataclass(frozen=True)
class InstrumentErrors:
    """Fixed errors of one bench's instruments: how far each is off what the bench file says. The defaults are none.

    Attributes
    ----------
    shunt_gain, shunt_offset_v : float
        True volts per ampere over those of the file; volts at the pin without current.
    transducer_gain, transducer_offset_pa : float
        What the transducer shows is the true pressure times the first plus the second.
    transducer_pin_gain, transducer_pin_offset_v : float
        Converter and wiring behind the transducer: factor on the volts, and volts added.
    divider_gain, divider_offset_v : float
        Supply divider: true ratio over that of the file; volts added at the pin.
    thermistor_offset_k : float
        What the thermistor is warmer than the air.
    thermistor_pin_gain, thermistor_pin_offset_v : float
        As for the transducer.
    meter_gain, meter_zero_ohm : float
        Error of the multimeter on every range, beyond the errors of its ranges that lie within its specification.
    """

    shunt_gain: float = 1.0
    shunt_offset_v: float = 0.0
    transducer_gain: float = 1.0
    transducer_offset_pa: float = 0.0
    transducer_pin_gain: float = 1.0
    transducer_pin_offset_v: float = 0.0
    divider_gain: float = 1.0
    divider_offset_v: float = 0.0
    thermistor_offset_k: float = 0.0
    thermistor_pin_gain: float = 1.0
    thermistor_pin_offset_v: float = 0.0
    meter_gain: float = 1.0
    meter_zero_ohm: float = 0.0


@dataclass(frozen=True)
class BenchParameters:
    """One bench. The defaults are the demo bench.

    Attributes
    ----------
    supply_open_v : float
        Supply voltage without load.
    source_ohm : float
        Source and wiring between supply and shunt; makes the supply sag under load.
    shunt_ohm : float
        Shunt in the coil's loop; the freewheel diode spans shunt and coil.
    diode_v : float
        Forward voltage of the freewheel diode, taken as constant.
    lead_ohm : float
        Meter leads, seen by a two-wire measurement only.
    volume_m3 : float
        Reservoir with the manifold.
    wall_w_k : float
        Heat conductance between gas and wall while nothing flows.
    wall_flow_w_k : float
        What a mass flow of 1 g/s through the reservoir adds to it; grows with the flow to the power 0.8.
    wall_j_k, wall_ambient_w_k : float
        Heat capacity of the wall and its conductance to the ambient.
    ambient_pa, ambient_k : float
        Ambient air.
    pump_m3_s, pump_ultimate_pa : float
        Volume flow of the pump at atmosphere, extrapolated to no back-pressure, and its ultimate pressure.
    line_leak_sccm, reference_leak_sccm : float
        Choked flow from 101.325 kPa at 20 degC, in cm3/min of gas at 0 degC and 101.325 kPa.
    vent_c_m3_s_pa : float
        Sonic conductance of the open vent.
    transducer_lag_s : float
        First-order response of the pressure transducer.
    transducer_hysteresis_pa : float
        What it shows on a falling pressure less what it shows on a rising one: the width of its play.
    four_wire_ohm : float
        What a four-wire measurement still sees between the clips of the leads and the plug.
    short_ohm, reference_resistor_ohm : float
        Shorting bar and reference resistor that can be plugged in the valve's place; the latter the same at any
        temperature.
    reference_orifice_c_m3_s_pa : float
        Sonic conductance of the reference orifice that can be put on the port in the valve's place: an ideal nozzle.
    known_volume_m3 : float
        Vessel of known volume that can be put there.
    liner_share, liner_j_k, liner_wall_w_k : float
        A liner between gas and wall (a coating, a plastic insert): the part of the surface that it covers, its heat
        capacity and its conductance to the wall behind. It gives the recovery a second, slow time constant.
    wall_heat_w : float
        What the sun or a lamp heats the wall with; no thermometer sees it.
    room_k_s : float
        How fast the room's air becomes warmer from the beginning on, by `ROOM_MOST_K` at the most.
    tap_loss_1_m4 : float
        A transducer whose tap sits in the way of the flow shows this times the square of the mass flow through the
        valve, over the gas's density, more than there is in the reservoir.
    tank_volume_m3 : float
        A vacuum tank between pump and isolation valve; 0: there is none, and the pump draws on the manifold itself.
    tank_c_m3_s_pa : float
        Sonic conductance of the line from manifold to tank, its restrictor included.
    tank_on_pa, tank_off_pa : float
        The tank's vacuum switch starts the pump above the first and stops it below the second, absolute.
    tank_starts_pa : float
        Pressure in it when the world begins.
    tank_leak_sccm, tank_wall_w_k : float
        What leaks into it from the room; heat conductance between its gas and its wall while nothing flows.
    instruments : InstrumentErrors or None
        Errors of the instruments; None leaves them to be drawn by the seed of whoever builds the bench.
    """

    supply_open_v: float = 13.5
    source_ohm: float = 0.15
    shunt_ohm: float = 0.100
    diode_v: float = 0.7
    lead_ohm: float = 0.18
    volume_m3: float = 0.500e-3
    wall_w_k: float = 0.085
    wall_flow_w_k: float = 1.60
    wall_j_k: float = 250.0
    wall_ambient_w_k: float = 0.3
    ambient_pa: float = 101_325.0
    ambient_k: float = 295.15
    pump_m3_s: float = 4.0e-3 / 60.0 / (1.0 - 12.0 / 101.325)
    pump_ultimate_pa: float = 12_000.0
    line_leak_sccm: float = 0.15
    reference_leak_sccm: float = 10.0
    vent_c_m3_s_pa: float = 5.0e-8
    transducer_lag_s: float = 0.003
    transducer_hysteresis_pa: float = 10.0
    four_wire_ohm: float = 0.0
    short_ohm: float = 0.0005
    reference_resistor_ohm: float = 25.0
    reference_orifice_c_m3_s_pa: float = 1.0e-10
    known_volume_m3: float = 0.250e-3
    liner_share: float = 0.0
    liner_j_k: float = 4.0
    liner_wall_w_k: float = 0.13
    wall_heat_w: float = 0.0
    room_k_s: float = 0.0
    tap_loss_1_m4: float = 0.0
    tank_volume_m3: float = 0.0
    tank_c_m3_s_pa: float = 5.0e-9
    tank_on_pa: float = 22_000.0
    tank_off_pa: float = 20_000.0
    tank_starts_pa: float = 21_000.0
    tank_leak_sccm: float = 0.5
    tank_wall_w_k: float = 0.25
    instruments: InstrumentErrors | None = None


@dataclass(frozen=True)
class CoilParameters:
    """Winding and magnetic circuit.

    Attributes
    ----------
    r20_ohm : float
        Winding resistance at 20 degC; infinite for an open coil.
    turns : float
        Turns that carry the supply's current.
    leakage_h : float
        Leakage inductance: flux of the winding that does not pass the armature.
    fixed_reluctance : float
        Iron below saturation and parasitic gaps, 1/H per turn squared.
    saturation_wb : float
        Flux at which saturation doubles the iron's share of the ampere-turns; it grows with the seventh power.
    pole_m2 : float
        Area of the working gap.
    residual_gap_m : float
        What is left of the gap when the armature has pulled in.
    fringe_1_m : float
        Fringing: a gap g has the reluctance g / (mu0 A (1 + fringe g)).
    eddy_s : float
        Conductance (turns squared per ohm) of the secondary loops: eddy currents in the iron, and shorted turns.
    winding_j_k, body_j_k : float
        Heat capacities of winding and body.
    winding_body_w_k, body_ambient_w_k : float
        Heat conductances.
    plug_ohm : float
        Contacts of the plug, inside a four-wire measurement.
    warms_1_k : float
        Temperature coefficient of the winding at 20 degC; the default is that of annealed copper (IEC 60028).
    joint_ohm, joint_from_k, joint_width_k : float
        Resistance in the winding that a failing joint adds once warm: none below the temperature (of the winding),
        all of it the width above, along a smooth step between.
    opens_k, closes_k : float
        Temperatures of the winding at which a broken wire in it parts, and at which it touches again.
    gap_every_s, gap_s : float
        A loose joint: mean time between interruptions (infinite for none), and how long one lasts on average. Both are
        drawn exponentially from `gap_seed`.
    gap_seed : int
        Of these instants.
    gap_under_load : bool
        The joint parts only while the supply is on: what shakes it is the armature.
    bypass_ohm, bypass_v : float
        A diode across plug and winding that conducts while the supply is on: resistance in series (infinite for no
        such diode) and forward voltage.
    """

    r20_ohm: float
    turns: float
    leakage_h: float
    fixed_reluctance: float
    saturation_wb: float
    pole_m2: float
    residual_gap_m: float
    fringe_1_m: float
    eddy_s: float
    winding_j_k: float = 16.0
    body_j_k: float = 55.0
    winding_body_w_k: float = 0.45
    body_ambient_w_k: float = 0.11
    plug_ohm: float = 0.004
    warms_1_k: float = 0.00393
    joint_ohm: float = 0.0
    joint_from_k: float = math.inf
    joint_width_k: float = 1.0
    opens_k: float = math.inf
    closes_k: float = math.inf
    gap_every_s: float = math.inf
    gap_s: float = 0.0
    gap_seed: int = 0
    gap_under_load: bool = False
    bypass_ohm: float = math.inf
    bypass_v: float = 0.7


@dataclass(frozen=True)
class ArmatureParameters:
    """Moving part. Travel counts from rest (0) in the direction of the magnetic pull, up to the stroke.

    Attributes
    ----------
    mass_kg, stroke_m : float
        Mass and travel.
    preload_n, spring_n_m : float
        Spring force at rest, and its growth with travel.
    viscous_n_s_m, coulomb_n, static_n : float
        Viscous friction, sliding friction, and the force that must be overcome to break away.
    restitution : float
        Part of the speed that a stop gives back.
    blocked : float or None
        Travel (part of the stroke) at which the armature is jammed; None when free.
    sticks_from_k, sticks_n_s_m_k : float
        Temperature of the winding from which on viscous friction grows, and by how much per kelvin.
    dirt_n_s_m, dirt_clicks : float, int
        Viscous friction by dirt, which as many whole clicks take away in equal parts.
    free_from, free_to : float
        Travel (parts of the stroke) between which it can move at all: dirt may leave it less than the whole stroke.
    """

    mass_kg: float
    stroke_m: float
    preload_n: float
    spring_n_m: float
    viscous_n_s_m: float = 0.15
    coulomb_n: float = 0.05
    static_n: float = 0.07
    restitution: float = 0.25
    blocked: float | None = None
    sticks_from_k: float = math.inf
    sticks_n_s_m_k: float = 0.0
    dirt_n_s_m: float = 0.0
    dirt_clicks: int = 0
    free_from: float = 0.0
    free_to: float = 1.0

    def dirt_left(self, clicks: int) -> float:
        """Part of the dirt that is there after so many whole clicks."""
        return max(0.0, 1.0 - clicks / self.dirt_clicks) if self.dirt_clicks else 0.0

    def reached(self, travel: float) -> float:
        """Travel (part of the stroke) at which the armature stays when it is driven to another."""
        return self.blocked if self.blocked is not None else min(max(travel, self.free_from), self.free_to)


@dataclass(frozen=True)
class PortParameters:
    """Way of the gas through the valve, and its force on the armature.

    Attributes
    ----------
    area_m2 : float
        Narrowest area with the valve fully open.
    seat_m : float
        Diameter of the seat: lift times circumference is the curtain area; the vacuum acts on its disc.
    lift_decay_m : float
        Lift at which the vacuum's pull on the armature has fallen to half.
    cd_choked : float
        Discharge coefficient at low pressure ratio.
    cd_drop : float
        Part of it that is lost towards a pressure ratio of one.
    leak_sccm : float
        Seat leak: choked flow from 101.325 kPa at 20 degC, in cm3/min at 0 degC and 101.325 kPa.
    dirt_sccm : float
        What the armature's dirt adds to it until it has cleared.
    fuel_mol, fuel_pa, fuel_s : float
        Liquid fuel left in valve and hose, its vapour pressure, and the time constant with which its vapour comes to
        that pressure in a closed reservoir of half a litre (`vapour.py`).
    """

    area_m2: float
    seat_m: float
    lift_decay_m: float = 0.25e-3
    cd_choked: float = 0.8
    cd_drop: float = 0.15
    leak_sccm: float = 0.1
    dirt_sccm: float = 0.0
    fuel_mol: float = 0.0
    fuel_pa: float = 0.0
    fuel_s: float = 30.0


@dataclass(frozen=True)
class ValveParameters:
    """One valve on the bench, with the name of its model and condition.

    Attributes
    ----------
    normally_closed : bool
        Whether the armature at rest closes the port.
    start_k : float or None
        Temperature of the coil when the world begins; None for that of the ambient.
    """

    model: str
    condition: str
    normally_closed: bool
    coil: CoilParameters
    armature: ArmatureParameters
    port: PortParameters
    start_k: float | None = field(default=None)
