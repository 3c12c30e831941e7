"""What can be plugged in, or put on the port, in the valve's place: for checking and calibrating the bench itself.

A dummy on the plug (shorting bar, reference resistor) leaves the valve on the port, at rest. One on the port (blind
plug, reference orifice, known volume) leaves the valve's coil plugged in; it then
moves without letting anything through.

Not modelled: the resistor's own heating, heat between a known volume and its walls beyond that of the reservoir, and
the moment that putting something on takes, during which a real port is open to the air.
"""

from __future__ import annotations

from simulators.world.parameters import BenchParameters, CoilParameters

__all__ = ["FITTINGS", "ON_PLUG", "OPEN_PORT_C_M3_S_PA", "resistor"]

ON_PLUG = ("shorted-leads", "reference-resistor")
FITTINGS = ("valve", *ON_PLUG, "blind-plug", "reference-orifice", "known-volume", "open-port")
"""What `World.connect` takes; "open-port" is nothing at all on the port."""
OPEN_PORT_C_M3_S_PA = 1.0e-8
"""Sonic conductance of the bare port and its hose (our own invention)."""


def resistor(bench: BenchParameters, fitting: str) -> CoilParameters:
    """A dummy on the plug, as a coil of a single turn with hardly any iron: 5 uH, and no change with temperature."""
    return CoilParameters(
        r20_ohm=bench.short_ohm if fitting == "shorted-leads" else bench.reference_resistor_ohm,
        turns=1.0,
        leakage_h=5e-6,
        fixed_reluctance=1e9,
        saturation_wb=1.0,
        pole_m2=1e-4,
        residual_gap_m=1e-3,
        fringe_1_m=0.0,
        eddy_s=1e-3,
        winding_j_k=1e9,
        plug_ohm=0.0,
        warms_1_k=0.0,
    )
