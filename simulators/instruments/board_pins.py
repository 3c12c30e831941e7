"""The board's pins over the physical world: outputs, inputs, and a converter with its noise and errors.

The converter is multiplexed: a single conversion sees the world as it stands. Not modelled: the analog filters before
the converter, crosstalk between channels, differential non-linearity, and the time that a conversion takes.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from firmware_protocol.messages import ALL_INPUTS, AMBIENT, COIL_CURRENT, ESTOP_OK, GUARD_CLOSED, PRESSURE, SUPPLY
from simulators.instruments.interfaces import PhysicalWorld, Sampler
from simulators.noise import SampleNoise
from simulators.world.benches import draw_instruments
from simulators.world.parameters import InstrumentErrors

__all__ = ["CAPTURE_WORDS", "CHANNELS", "CONVERSION_US", "BoardPins"]

CHANNELS = ((COIL_CURRENT, 12, 3300), (PRESSURE, 16, 3300), (SUPPLY, 12, 3300), (AMBIENT, 12, 3300))
"""Quantity, bits, full scale in millivolts, in index order."""
CAPTURE_WORDS = 65_536
CONVERSION_US = 5

SHUNT_V_PER_A = 2.0
TRANSDUCER_OFFSET_V, TRANSDUCER_V_PER_PA = 0.200, 25.0e-6
DIVIDER = 6.0
THERMISTOR_R25_OHM, THERMISTOR_BETA_K, PULL_UP_OHM, PULL_UP_V = 10_000.0, 3950.0, 10_000.0, 3.3

_NAMES = {COIL_CURRENT: "current_a", PRESSURE: "transducer_pa", SUPPLY: "supply_v", AMBIENT: "thermistor_k"}
_MOST_AT_ONCE = 1 << 12
"""Conversions of one channel in one microsecond that still get noise of their own; a READ asks for 1000 at most."""

Samples = NDArray[np.float64]


@dataclass(frozen=True)
class _Channel:
    """One channel from the true quantity to the number that the converter gives."""

    noise: SampleNoise
    noise_v: float
    gain: float
    offset_v: float
    bits: int
    full_scale_v: float
    volts: Callable[[Samples], Samples]
    volts_one: Callable[[float], float]

    def raw(self, quantity: Samples, noise: Samples) -> NDArray[np.uint16]:
        pin_v = self.volts(quantity) * self.gain + self.offset_v + noise * self.noise_v
        codes = np.floor(pin_v / self.full_scale_v * (1 << self.bits) + 0.5)
        kept = np.clip(codes, 0, (1 << self.bits) - 1).astype(np.uint16)
        return np.asarray(kept << np.uint16(16 - self.bits), dtype=np.uint16)

    def raw_one(self, quantity: float, noise: float) -> int:
        pin_v = self.volts_one(quantity) * self.gain + self.offset_v + noise * self.noise_v
        code = math.floor(pin_v / self.full_scale_v * (1 << self.bits) + 0.5)
        return min(max(code, 0), (1 << self.bits) - 1) << 16 - self.bits


def _thermistor_v(kelvin: Samples) -> Samples:
    ohm = THERMISTOR_R25_OHM * np.exp(THERMISTOR_BETA_K * (1.0 / kelvin - 1.0 / 298.15))
    return np.asarray(PULL_UP_V * ohm / (ohm + PULL_UP_OHM), dtype=np.float64)


def _channels(seed: int, errors: InstrumentErrors) -> dict[int, _Channel]:
    """What each channel makes of its quantity: as the demo bench file states (bench_file.py), but for the errors."""
    zero_v = TRANSDUCER_OFFSET_V + TRANSDUCER_V_PER_PA * errors.transducer_offset_pa
    slope_offset = {
        COIL_CURRENT: (SHUNT_V_PER_A, 0.0),
        PRESSURE: (TRANSDUCER_V_PER_PA * errors.transducer_gain, zero_v),
        SUPPLY: (1.0 / DIVIDER, 0.0),
    }

    def straight(index: int) -> tuple[Callable[[Samples], Samples], Callable[[float], float]]:
        slope, offset = slope_offset[index]
        return lambda x: x * slope + offset, lambda x: x * slope + offset

    volts = {index: straight(index) for index in slope_offset}
    warm_k = errors.thermistor_offset_k
    volts[AMBIENT] = (
        lambda kelvin: _thermistor_v(kelvin + warm_k),
        lambda kelvin: float(_thermistor_v(np.array(kelvin + warm_k))),
    )
    noise_v = {COIL_CURRENT: 0.6e-3, PRESSURE: 12.0 * TRANSDUCER_V_PER_PA, SUPPLY: 0.6e-3, AMBIENT: 0.6e-3}
    gain_offset = {
        COIL_CURRENT: (errors.shunt_gain, errors.shunt_offset_v),
        PRESSURE: (errors.transducer_pin_gain, errors.transducer_pin_offset_v),
        SUPPLY: (errors.divider_gain, errors.divider_offset_v),
        AMBIENT: (errors.thermistor_pin_gain, errors.thermistor_pin_offset_v),
    }
    return {
        index: _Channel(
            SampleNoise(seed, 100 + index),
            noise_v[index],
            *gain_offset[index],
            bits,
            full_scale_mv / 1000.0,
            *volts[index],
        )
        for index, bits, full_scale_mv in CHANNELS
    }


class BoardPins:
    """Port of a `firmware_protocol.board.Board` on the simulated world.

    Parameters
    ----------
    world : PhysicalWorld
        The physical world. `BoardPins` never moves it.
    seed : int
        Draws the noise, which depends on channel and instant only; and the errors, unless they are given.
    errors : InstrumentErrors or None
        Gain and offset errors of the channels.

    Attributes
    ----------
    estop_ok, guard_closed : bool
        The two interlock inputs.
    capture_words : int
        Size of the capture memory.
    """

    def __init__(self, world: PhysicalWorld, *, seed: int, errors: InstrumentErrors | None = None) -> None:
        self._world = world
        self._channels = _channels(seed, draw_instruments(seed) if errors is None else errors)
        self._driven = 0
        self.estop_ok = True
        self.guard_closed = True
        self.capture_words = CAPTURE_WORDS
        self._sampler: Sampler | None = None
        self._captured: tuple[int, ...] = ()
        self._start_us = 0
        self._period_us = 0
        self._samples = 0
        self._words = np.empty((0, 0), dtype="<u2")
        self._converted = 0
        self._stuck_pa: float | None = None
        self._shift_pa = 0.0
        self._read_at_us = dict.fromkeys(_NAMES, -1)
        self._reads = dict.fromkeys(_NAMES, 0)

    def now_us(self) -> int:
        """Microseconds since the world began."""
        return math.floor(self._world.t_s * 1e6 + 1e-3)

    def write_outputs(self, mask: int, /) -> int:
        """Drive exactly the outputs in `mask`, now, and give that instant."""
        self._driven = mask
        self._world.set_outputs(mask)
        return self.now_us()

    def read_inputs(self) -> int:
        """Interlock inputs as bits, 1 = closed."""
        open_ = (0 if self.estop_ok else ESTOP_OK) | (0 if self.guard_closed else GUARD_CLOSED)
        return ALL_INPUTS & ~open_

    def read_back(self) -> int:
        """Outputs whose pins are high: no pin of the simulated board ever fails."""
        return self._driven

    def reference(self) -> tuple[int, int, int]:
        """A conversion of a source inside the chip, always half of full scale, and its bounds."""
        return 0x8000, 0x7000, 0x9000

    def free_bytes(self) -> int:
        """Memory that is free: as much as the real board has (firmware_protocol/BOARD.md)."""
        return 100_000

    def read_channel(self, index: int, /) -> int:
        """One conversion. The n-th one of a channel within a microsecond has the n-th noise of that instant."""
        now_us = self.now_us()
        if self._read_at_us[index] != now_us:
            self._read_at_us[index] = now_us
            self._reads[index] = 0
        self._reads[index] = (self._reads[index] + 1) % _MOST_AT_ONCE
        channel = self._channels[index]
        noise = channel.noise.one(now_us * _MOST_AT_ONCE + self._reads[index])
        return channel.raw_one(self._quantity(index), noise)

    def capture_start(self, channel_mask: int, period_us: int, samples: int, /) -> int:
        """Begin to record, and give the instant of sample 0; ValueError when the converter cannot keep up."""
        captured = tuple(index for index in sorted(_NAMES) if channel_mask >> index & 1)
        if period_us < CONVERSION_US * len(captured):
            raise ValueError(f"{len(captured)} conversions take longer than {period_us} us")
        self._captured, self._period_us, self._samples = captured, period_us, samples
        self._start_us = self.now_us()
        self._words = np.empty((samples, len(captured)), dtype="<u2")
        self._converted = 0
        self._sampler = self._world.start_sampler(self._world.t_s, period_us * 1e-6, samples)
        return self._start_us

    def capture_recorded(self) -> int:
        """Samples recorded so far."""
        return 0 if self._sampler is None else self._sampler.recorded

    def capture_block(self, first: int, count: int, /) -> bytes:
        """Recorded samples as little-endian words, lowest channel first; the same block always has the same bytes."""
        if first + count > self.capture_recorded():
            raise IndexError(f"samples {first} to {first + count} are not recorded")
        self._convert()
        return self._words[first : first + count].tobytes()

    def _convert(self) -> None:
        """Convert what has been recorded since the last call."""
        if self._sampler is None:
            return
        new = slice(self._converted, self._sampler.recorded)
        if new.start == new.stop:
            return
        arrays = self._sampler.arrays
        instants_us = self._start_us + self._period_us * np.arange(new.start, new.stop, dtype=np.int64)
        for column, index in enumerate(self._captured):
            channel = self._channels[index]
            noise = channel.noise.at(instants_us * _MOST_AT_ONCE)
            quantity = arrays[_NAMES[index]][new]
            if index == PRESSURE and self._transducer_fails:
                shown = quantity if self._stuck_pa is None else np.full_like(quantity, self._stuck_pa)
                quantity = shown + self._shift_pa
            self._words[new, column] = channel.raw(quantity, noise)
        self._converted = new.stop

    def capture_stop(self) -> None:
        """Stop recording and forget what was recorded. Safe to repeat."""
        self._sampler = None

    @property
    def capturing(self) -> bool:
        """Whether a capture is still recording."""
        return self._sampler is not None and self._sampler.recorded < self._samples

    @property
    def _transducer_fails(self) -> bool:
        return self._stuck_pa is not None or self._shift_pa != 0.0

    def stick_transducer(self) -> None:
        """Let the transducer show what it shows now for ever."""
        self._convert()
        self._stuck_pa = self._world.transducer_pa()

    def shift_transducer(self, pa: float) -> None:
        """Add to what the transducer shows from now on."""
        self._convert()
        self._shift_pa += pa

    def add_noise(self, supply_v: float, current_a: float) -> None:
        """Let the supply be noisy from now on: root mean squares, each sample drawn apart."""
        self._convert()
        for index, more_v in ((SUPPLY, supply_v / DIVIDER), (COIL_CURRENT, current_a * SHUNT_V_PER_A)):
            channel = self._channels[index]
            self._channels[index] = replace(channel, noise_v=math.hypot(channel.noise_v, more_v))

    def _quantity(self, index: int) -> float:
        if index == COIL_CURRENT:
            return self._world.coil_current_a()
        if index == PRESSURE:
            shown_pa = self._world.transducer_pa() if self._stuck_pa is None else self._stuck_pa
            return shown_pa + self._shift_pa if self._transducer_fails else shown_pa
        return self._world.supply_v() if index == SUPPLY else self._world.ambient_thermistor_k()
