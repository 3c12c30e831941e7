"""Air and the reservoir that it flows into: constants, flow units, and the mass and energy balance."""
