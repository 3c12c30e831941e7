"""How long each step takes on a bench: until it has told enough, to its full end, and by physics alone.

Typical figures of a good valve; how long a run really took stands in its record.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchrig.bench.file import BenchFile
from benchrig.catalogue.valve_model import USUAL_LEAST_CLICKS
from benchrig.sequencer.steps import clicks as clicks_step
from benchrig.sequencer.steps import ready as ready_step
from benchrig.sequencer.steps.vapour import QUICK_LOOK_S

__all__ = ["Seconds", "clicks", "coil", "flow", "hold", "ready"]

MAINS_HZ = 50.0
CHILL_KNOWN = 0.05
"""A chill known to this part of itself takes most of the recovery out of a hold."""
HOLD_S, HOLD_KNOWN_S = 6.0, 2.5
"""Median holds of good valves in a rehearsal, without and with a chill that was calibrated the same day."""
FILL_S, VENT_S, SWITCHING_S = 0.8, 0.2, 0.3


@dataclass(frozen=True)
class Seconds:
    """Until it has told enough, to its full end, and the least that physics allows."""

    usual: float
    full: float
    floor: float


def ready(file: BenchFile) -> Seconds:
    """Supply, open air, room: three reads."""
    return Seconds(ready_step.QUICK_SETTLE_S, ready_step.SETTLE_S, 0.0)


def coil(file: BenchFile) -> Seconds:
    """The meter's integrations, with as much again for its auto-zero."""
    integrating_s = file.sequence.coil_readings * file.meter.nplc / MAINS_HZ
    return Seconds(2 * integrating_s + 0.1, 2 * integrating_s + 0.1, integrating_s)


def hold(file: BenchFile) -> Seconds:
    """Look for vapour, pump down, and hold."""
    heat, look_s = file.heat, file.sequence.vapour_look_s
    known = heat.chill_k is not None and heat.chill_u_k < CHILL_KNOWN * heat.chill_k
    pump_s = file.draw_down_s
    usual_s = min(look_s, QUICK_LOOK_S) + pump_s + (HOLD_KNOWN_S if known else HOLD_S)
    return Seconds(usual_s + SWITCHING_S, look_s + pump_s + file.sequence.hold_s + SWITCHING_S, pump_s + 1.0)


def flow(file: BenchFile) -> Seconds:
    """One fill, and the vent."""
    return Seconds(FILL_S + VENT_S + SWITCHING_S, file.sequence.flow_s + VENT_S + SWITCHING_S, 0.3)


def clicks(file: BenchFile) -> Seconds:
    """So many pulses."""
    least_s = USUAL_LEAST_CLICKS * clicks_step.QUICK_EVERY_S
    return Seconds(least_s, (file.sequence.clicks + 1) * clicks_step.EVERY_S, least_s)
