"""What the instruments need of the physical world: the types only, so that a test may stand something simpler in."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = ["PhysicalWorld", "Sampler"]


class Sampler(Protocol):
    """True values at a fixed rate, filled in as the world moves on."""

    @property
    def recorded(self) -> int:
        """How many samples have been filled in."""

    @property
    def arrays(self) -> Mapping[str, NDArray[np.float64]]:
        """Arrays of shape (samples,): current_a, transducer_pa, supply_v, thermistor_k."""


class PhysicalWorld(Protocol):
    """The physical world. Moves only in `advance_to`; readings are of this instant and free of noise."""

    supply_on: bool
    line_leak_sccm: float
    pump_strength: float
    source_ohm: float
    transducer_lag_s: float
    ambient_k: float
    room_k_s: float
    wall_heat_w: float
    tap_loss_1_m4: float
    pump_fed: bool

    def fail_relays(self, *, welded: int = 0, dead: int = 0) -> None:
        """Weld relays of these outputs, or let them die."""

    def line_wall(self, share: float, heat_j_k: float, wall_w_k: float) -> None:
        """Put a liner over so much of the reservoir's wall."""

    def block_line(self, left_m2: float) -> None:
        """Block the line to the valve but for so much area."""

    def fail_tank(
        self, *, leak_sccm: float = 0.0, line_left: float = 1.0, switch_dead: bool = False, vacuum_lost: bool = False
    ) -> None:
        """Have something go wrong with the vacuum tank."""

    @property
    def t_s(self) -> float:
        """Where the world stands, in seconds."""

    @property
    def connected(self) -> str:
        """What is on the plug and on the port."""

    def connect(self, fitting: str) -> None:
        """Put something else there."""

    def advance_to(self, t_s: float) -> None:
        """Move on to an instant."""

    def set_outputs(self, mask: int) -> None:
        """Drive exactly these of the board's outputs from now on."""

    def coil_current_a(self) -> float:
        """Coil current in amperes."""

    def transducer_pa(self) -> float:
        """Absolute pressure as the transducer's element feels it, in pascals."""

    def supply_v(self) -> float:
        """Supply voltage in volts."""

    def ambient_thermistor_k(self) -> float:
        """Temperature of the thermistor in kelvins."""

    def meter_ohm(self, wires: int) -> float:
        """Resistance between the meter's terminals in ohms; infinite when open."""

    def meter_volts(self) -> float:
        """Voltage on the meter's terminals."""

    def start_sampler(self, t0_s: float, period_s: float, samples: int) -> Sampler:
        """Record at t0_s, t0_s + period_s, and so on."""
