"""A world simple enough to know every answer by hand; stands in for the real one where only the instruments matter."""

from __future__ import annotations

import math

import numpy as np

COIL, METER = 0x01, 0x02


class StillWorld:
    """Nothing moves unless a test says so; `history` keeps every change of the outputs with its instant."""

    def __init__(self) -> None:
        self.t_s = 0.0
        self.outputs = 0
        self.history: list[tuple[float, int]] = []
        self.stops_s: list[float] = []
        self.supply_on = True
        self.line_leak_sccm = 0.0
        self.pump_strength = 1.0
        self.pump_fed = True
        self.coil_on_a = 0.5
        self.surge_s = math.inf
        """From this instant on an energised coil takes 1.2 A."""
        self.pa = 80_000.0
        self.volts = 13.2
        self.kelvin = 295.15
        self.coil_ohm = 24.5
        self.disturbance_v = 0.0
        self.samplers: list[StillSampler] = []

    connected = "valve"

    def connect(self, fitting: str) -> None:
        self.connected = fitting

    def advance_to(self, t_s: float) -> None:
        assert t_s >= self.t_s, "the world was sent back in time"
        self.t_s = t_s
        self.stops_s.append(t_s)
        for sampler in self.samplers:
            sampler.follow(self)

    def set_outputs(self, mask: int) -> None:
        self.outputs = mask
        self.history.append((self.t_s, mask))

    def coil_current_a(self) -> float:
        return float(self.current_at(np.array(self.t_s)))

    def current_at(self, t_s: np.ndarray) -> np.ndarray:
        return np.where(t_s >= self.surge_s, 1.2, self.coil_on_a) * bool(self.outputs & COIL)

    def transducer_pa(self) -> float:
        return self.pa

    def supply_v(self) -> float:
        return self.volts

    def ambient_thermistor_k(self) -> float:
        return self.kelvin

    def meter_ohm(self, wires: int) -> float:
        if not self.outputs & METER:
            return math.inf
        return self.coil_ohm + (0.12 if wires == 2 else 0.0)

    def meter_volts(self) -> float:
        return self.disturbance_v

    def start_sampler(self, t0_s: float, period_s: float, samples: int) -> StillSampler:
        self.samplers = [StillSampler(self, t0_s, period_s, samples)]
        return self.samplers[0]


class StillSampler:
    def __init__(self, world: StillWorld, t0_s: float, period_s: float, samples: int) -> None:
        self._t0_s, self._period_s, self._samples = t0_s, period_s, samples
        self.recorded = 0
        names = ("current_a", "transducer_pa", "supply_v", "thermistor_k")
        self.arrays = {name: np.full(samples, np.nan) for name in names}
        self.follow(world)

    def follow(self, world: StillWorld) -> None:
        recorded = min(self._samples, math.floor((world.t_s - self._t0_s) / self._period_s + 1e-6) + 1)
        new = slice(self.recorded, recorded)
        self.arrays["current_a"][new] = world.current_at(self._t0_s + self._period_s * np.arange(self._samples)[new])
        self.arrays["transducer_pa"][new] = world.pa
        self.arrays["supply_v"][new] = world.volts
        self.arrays["thermistor_k"][new] = world.kelvin
        self.recorded = recorded
