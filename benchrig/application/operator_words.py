"""What the operator is told and asked, in words: the same at a terminal and on a console's page."""

from __future__ import annotations

from benchrig.sequencer.operator import Fitting

__all__ = ["ASK", "CAUTION", "SAY", "SAY_CONTROL", "SAY_NOW", "TAKEN"]

CAUTION = (
    "Caution. A used valve holds fuel: purge it with inert gas or air it outdoors first, ventilate, no sparks or "
    "flames. Use a reservoir rated for vacuum and wear eye protection; the coil gets hot. Emergency stop and guard "
    "must be wired in hardware: this program is never the safety function. Local codes and a competent, licensed "
    "person decide."
)
"""One paragraph: whoever prints it breaks it where the terminal ends."""
SAY = {
    Fitting.VALVE: "Take the reference off: plug and port are free for the next valve.",
    Fitting.SHORT: "Short the meter's leads at the coil plug: the shorting plug in place of the coil.",
    Fitting.RESISTOR: "Put the reference resistor on the coil plug. It gets hot: do not hold it.",
    Fitting.BLIND: "Close the port: blind plug in place of the valve.",
    Fitting.OPEN: "Take the blind plug off: leave the port open, with nothing on it.",
    Fitting.SOUND_VALVE: "Put a sound valve on, plug and port: dry and tight, of any model.",
    Fitting.VACUUM_GAUGE: "Join the reference vacuum gauge to the port.",
    Fitting.VESSEL: "Join the known volume to the port, full of room air, its tap closed.",
}
SAY_NOW = {Fitting.VESSEL: "Open the tap of the known volume now, slowly."}
ASK = {
    "barometer": "Station pressure by the barometer (not reduced to sea level)",
    "vacuum gauge": "Absolute pressure by the reference vacuum gauge",
    "voltmeter": "Voltage across the reference resistor by the reference voltmeter",
}
SAY_CONTROL = {
    Fitting.BLIND: "Does the valve leak, or the bench? Take the valve off, close the port: blind plug.",
    Fitting.OPEN: "Is the valve blocked, or the hose? Leave the port open, with nothing on it.",
}
TAKEN = {"barometer": (50.0, 110.0), "vacuum gauge": (0.1, 110.0), "voltmeter": (0.001, 100.0)}
"""What can be entered: the same for the barometer as after ``--barometer-kpa``."""
