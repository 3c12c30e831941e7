"""One configured bench: connect, arm, switch in order, wait without losing the board, measure, and end safe."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from benchrig import stop_requests
from benchrig.analysis.leak.known_recovery import KnownRecovery
from benchrig.analysis.results import Samples
from benchrig.bench.calibrations import with_calibrations
from benchrig.bench.exchanged_parts import Made, made_on
from benchrig.bench.file import LoadedBenchFile
from benchrig.bench.problems import check_interlocks, raise_all
from benchrig.bench.traceability import Traceability
from benchrig.bench.wiring import AT_REST, METERING, allowed, way
from benchrig.clock import Clock
from benchrig.drivers.board_types import CAUSE_HINTS, CAUSE_WORDS
from benchrig.drivers.conversions import Divider, Shunt, Thermistor, Transducer
from benchrig.drivers.meters import Meter
from benchrig.drivers.relay_board import BoardStatus, CapturePlan, Channel, Output, RelayBoard, TripCause
from benchrig.errors import BenchError, DeviceError, InterlockOpen, LinkError, LinkTimeout

__all__ = ["HOST_SILENT_S", "KEEP_ALIVE_S", "Bench", "Recording", "Waiting", "never"]

Found = TypeVar("Found")
Waiting = Generator[float, None, Found]
"""A task that yields instants on the bench's clock: it wants to be resumed then, and not before."""

HOST_SILENT_S = 2.0
"""Host silent for so long: the board turns everything off. Over four times the longest blocking call."""
KEEP_ALIVE_S = 0.5
"""While waiting, the board is asked for its status this often."""
RECORD_POLL_S = 0.8
"""While recording, the board is asked what it has this often; each question keeps it fed."""
METER_READY_S = 5.0
"""A reading that is not there by then will not come: ten power-line cycles with auto-zero take under a second."""


def never() -> bool:
    """Nobody but a signal asks to stop."""
    return False


def nobody_looks(_column: str, _from_s: float, _after_s: Samples, _values: Samples) -> None:
    """Nobody looks at readings while they come."""


@dataclass(frozen=True)
class Recording:
    """Samples in SI units. Time zero is the sample instant at which the switch was thrown, or the first sample."""

    time_s: Samples
    columns: Mapping[str, Samples]
    released_s: float | None = None


class Bench:
    """The bench in front of you.

    Every wait goes through `wait_until`, which keeps the board from falling silent, notices a trip or an open
    interlock within `KEEP_ALIVE_S`, asks `stop_wanted` whether somebody wants to stop, and calls `on_wait` so that a
    screen can refresh.
    """

    def __init__(self, loaded: LoadedBenchFile, clock: Clock, board: RelayBoard, meter: Meter) -> None:
        self.loaded = loaded
        self.clock = clock
        self.board = board
        self.meter = meter
        self.on_wait: Callable[[], None] = lambda: None
        self.stop_wanted: Callable[[], bool] = never
        self.on_readings: Callable[[str, float, Samples, Samples], None] = nobody_looks
        """Called with readings as they come: their column (``pressure_pa``, ``current_a``), the instant on the bench's
        clock from which they count, seconds after it, values in SI units. For a screen; returns quickly."""
        self.board_name = ""
        self.meter_name = ""
        self.capture_words = 0
        self.notes: list[str] = []
        self._state = AT_REST
        self._alongside: list[tuple[float, Waiting[None]]] = []
        self.armed = False
        self._barometer_kpa: float | None = None
        self.recovery: KnownRecovery | None = None
        """How the gas warms up, from the day's runs."""
        self.apply_calibrations(Traceability())

    def apply_calibrations(self, traceability: Traceability) -> None:
        """Let calibrated constants take the place of those in the bench file, and remember what a run rests on."""
        self.traceability = traceability
        self.file = with_calibrations(self.loaded.file, traceability.used)
        if self._barometer_kpa is not None:
            self.enter_barometer(self._barometer_kpa)
        supply, thermistor, transducer = self.file.supply, self.file.thermistor, self.file.transducer
        self.shunt = Shunt(self.file.shunt.volts_per_amp, self.file.shunt.u_relative)
        self.divider = Divider(supply.divider, supply.u_relative)
        self._transducer = Transducer(transducer.offset_v, transducer.volts_per_pa)
        self._thermistor = Thermistor(
            thermistor.r25_ohm, thermistor.beta_k, thermistor.pull_up_ohm, thermistor.pull_up_v
        )
        self._columns: dict[Channel, tuple[str, Callable[[Samples], Samples]]] = {
            Channel.COIL_CURRENT: ("current_a", self.shunt.current_a),
            Channel.PRESSURE: ("pressure_pa", self._transducer.pressure_pa),
            Channel.SUPPLY: ("voltage_v", self.divider.supply_v),
            Channel.AMBIENT: ("temperature_k", self._thermistor.temperature_k),
        }

    def enter_barometer(self, kpa: float) -> None:
        """Take today's station pressure in place of the bench file's."""
        self._barometer_kpa = kpa
        general = self.file.bench.model_copy(update={"barometer_kpa": kpa})
        self.file = self.file.model_copy(update={"bench": general})

    # -- connecting and arming

    def connect(self) -> None:
        """Greet board and meter; report everything that is wrong at once."""
        problems: list[BenchError] = []
        for greet in (self._greet_board, self._greet_meter):
            try:
                greet()
            except BenchError as error:
                problems.append(error)
        raise_all(problems)

    @property
    def made_on(self) -> Made:
        """What identifies this bench, once board and meter were greeted."""
        return made_on(self.file, self.board_name, self.meter_name)

    def _greet_board(self) -> None:
        hello = self.board.hello()
        self.capture_words = hello.capture_words
        self.board_name = f"relay board {hello.identity}, firmware {hello.build}, protocol {hello.major}.{hello.minor}"
        wanted = self.file.board.identity
        if wanted and hello.identity != wanted:
            raise DeviceError(
                f"The relay board on {self.file.board.port} is {hello.identity!r}; the bench file wants {wanted!r}.",
                hint="Is another bench's board plugged in? Otherwise correct [board] identity in the bench file.",
            )

    def _greet_meter(self) -> None:
        self.meter_name = self.meter.identify()
        wanted = self.file.meter.identity
        if not self.meter_name.startswith(wanted):
            raise DeviceError(
                f"The meter at {self.file.meter.address} is {self.meter_name!r}; the bench file wants {wanted!r}.",
                hint="Is the address another instrument's? Otherwise correct [meter] identity in the bench file.",
            )

    def arm(self, coil_limit_s: float) -> None:
        """Make switching possible. Clears a trip left over from an earlier run, and notes it.

        Raises
        ------
        InterlockOpen
            Emergency stop pressed or guard open.
        """
        status = self.board.status()
        check_interlocks(status)
        if status.cause is not TripCause.NONE:
            self.notes.append(f"the board had switched everything off before this run: {CAUSE_WORDS[status.cause]}")
            self.board.clear()
        self.board.arm(HOST_SILENT_S, coil_limit_s, self.shunt.volts_per_amp * self.file.shunt.over_current_a)
        self._state = AT_REST
        self.armed = True
        self.meter.meanwhile = self.feed

    @contextmanager
    def disarmed(self, coil_limit_s: float) -> Iterator[None]:
        """Nothing can be on meanwhile: what takes longer than the board waits for a word is reckoned there.

        Raises
        ------
        RuntimeError
            An output is on, or a task goes on beside: neither outlives being disarmed.
        InterlockOpen
            Emergency stop pressed or guard open when it is to be armed again.
        """
        if self._state != AT_REST or self._alongside:
            raise RuntimeError("the bench is to be at rest before it is disarmed for a while")
        self._check(self.board.disarm())
        self.armed = False
        yield
        self.arm(coil_limit_s)

    # -- switching and waiting

    def switch(self, end: frozenset[Output]) -> None:
        """Bring the outputs to `end`, in the order that the wiring demands."""
        for state in way(self._state, end):
            self._check(self.board.set_outputs(state))
            self._state = state

    def arrange(self, end: frozenset[Output]) -> None:
        """Bring the outputs to `end`, the meter's route left as it is: a measurement of the coil may be going on."""
        self.switch(end | (self._state & METERING))

    def alongside(self, task: Waiting[None]) -> None:
        """Begin a task; it goes on beside whatever waits next, and yields the instant at which it wants to be resumed.

        A recording does not resume it: `await_alongside` before one that must not be disturbed.
        """
        due_s = next(task, None)
        if due_s is not None:
            self._alongside.append((due_s, task))

    def await_alongside(self) -> None:
        """Wait until every such task has come to its end."""
        while self._alongside:
            self.wait_until(min(due_s for due_s, _ in self._alongside))

    def wait_until(self, t: float) -> None:
        """Wait for an instant on the bench's clock, watching the board meanwhile."""
        while True:
            now = self.clock.now()
            self.clock.sleep_until(min(t, now + KEEP_ALIVE_S, *(due_s for due_s, _ in self._alongside)))
            self.feed()
            self._resume_tasks()
            if self.clock.now() >= t:
                return

    def _resume_tasks(self) -> None:
        """Resume what is due. Once begun, a task does not wait by itself, so that none comes in another's way."""
        now, tasks, self._alongside = self.clock.now(), self._alongside, []
        for due_s, task in tasks:
            try:
                self._alongside.append((due_s if due_s > now else next(task), task))
            except StopIteration:
                continue

    def wait(self, seconds: float) -> None:
        """Wait for so many seconds."""
        self.wait_until(self.clock.now() + seconds)

    def feed(self) -> None:
        """Keep the board from falling silent, notice what it has to say, and whether somebody asked to stop."""
        stop_requests.check(wanted=self.stop_wanted())
        self._check(self.board.status())
        self.on_wait()

    def _check(self, status: BoardStatus) -> None:
        if status.cause is not TripCause.NONE:
            self._state = status.outputs
            raise InterlockOpen(
                f"The board switched everything off: {CAUSE_WORDS[status.cause]}.", hint=CAUSE_HINTS[status.cause]
            )
        check_interlocks(status)

    # -- readings

    def pin_v(self, channel: Channel, samples: int = 50) -> float:
        """Volts at the pin of one channel, the mean of so many samples."""
        return self.board.read((channel,), samples)[channel]

    def supply_v(self) -> float:
        """Supply voltage in volts."""
        return self.divider.supply_v(self.pin_v(Channel.SUPPLY))

    def current_a(self) -> float:
        """Coil current in amperes."""
        return self.shunt.current_a(self.pin_v(Channel.COIL_CURRENT))

    def ambient_k(self) -> float:
        """Ambient temperature in kelvin."""
        return self._thermistor.temperature_k(self.pin_v(Channel.AMBIENT))

    def pressure_pa(self, samples: int = 50) -> float:
        """Absolute pressure in the manifold in pascals, the mean of so many samples."""
        pressure_pa = self._transducer.pressure_pa(self.pin_v(Channel.PRESSURE, samples))
        self.on_readings("pressure_pa", self.clock.now(), np.zeros(1), np.array([pressure_pa]))
        return pressure_pa

    def coil_readings_ohm(self, count: int) -> list[float]:
        """Coil resistance by the multimeter, so many readings; infinity where it shows overload."""
        self.switch(METERING)
        readings = self._waited_for(self.reading_coil_ohm(count))
        self.switch(AT_REST)
        return readings

    def reading_coil_ohm(self, count: int) -> Waiting[list[float]]:
        """The same as a task that says until when it waits, for `alongside`; pump and vent stay as they are."""
        self.switch(self._state | METERING)
        yield self.clock.now() + 0.1
        readings = yield from self._reading_meter_ohm(count)
        self.switch(self._state - METERING)
        return readings

    def meter_readings_ohm(self, count: int) -> list[float]:
        """What the multimeter reads as things stand, so many readings; infinity where it shows overload."""
        return self._waited_for(self._reading_meter_ohm(count))

    def _waited_for(self, task: Waiting[list[float]]) -> list[float]:
        while True:
            try:
                self.wait_until(next(task))
            except StopIteration as end:
                readings: list[float] = end.value
                return readings

    def _reading_meter_ohm(self, count: int) -> Waiting[list[float]]:
        meter = self.file.meter
        self.meter.set_up_resistance(meter.wires, meter.range_ohm, meter.nplc)
        readings = []
        for _ in range(count):
            readings.append((yield from self._one_reading_ohm()))
        return readings

    def _one_reading_ohm(self) -> Waiting[float]:
        self.meter.start()
        deadline = self.clock.now() + METER_READY_S
        while not self.meter.ready():
            if self.clock.now() >= deadline:
                raise LinkTimeout(
                    f"Multimeter at {self.file.meter.address}: no resistance reading within {METER_READY_S:g} s.",
                    hint="Is the meter in a menu, or waiting for a trigger? Then its cable and address.",
                )
            yield self.clock.now() + 0.1
        return self.meter.fetch()

    # -- captures

    def record(
        self,
        channels: tuple[Channel, ...],
        *,
        period_s: float,
        samples: int,
        switch_at: int | None = None,
        switch_to: frozenset[Output] = AT_REST,
        release_at: int | None = None,
        release_to: frozenset[Output] = AT_REST,
        enough: Callable[[Recording], bool] = lambda _: False,
        every_s: float = RECORD_POLL_S,
    ) -> Recording:
        """Record channels at a fixed rate while the board throws one or two switches at exact samples.

        Parameters
        ----------
        channels : tuple of Channel
            What to record.
        period_s : float
            Time between samples in seconds.
        samples : int
            How many.
        switch_at, release_at : int or None
            Sample at which the outputs become exactly `switch_to`, then `release_to`.
        enough : callable
            Asked every `every_s` seconds with what has been recorded; True ends the recording early.

        Returns
        -------
        Recording
            Times count from the instant at which the board really threw the switch.
        """
        for before, after, at in ((self._state, switch_to, switch_at), (switch_to, release_to, release_at)):
            if at is not None and (not allowed(after) or len(way(before, after)) > 1):
                raise ValueError("a capture throws one switch at a time, to an allowed state")
        period_us = round(period_s * 1e6)
        self.board.start_capture(
            CapturePlan(channels, period_us, samples, switch_at, switch_to, release_at, release_to)
        )
        from_s = self.clock.now()
        named = [self._columns[channel] for channel in sorted(channels, key=lambda channel: channel.value)]
        volts = np.empty((0, len(named)))
        done = 0
        while True:
            progress = self.board.progress()
            if progress.recorded > done:
                fetched = self.board.fetch(done, progress.recorded - done)
                after_s = np.arange(done, progress.recorded) * (period_us * 1e-6)
                for index, (name, in_si) in enumerate(named):
                    self.on_readings(name, from_s, np.asarray(after_s, dtype=np.float64), in_si(fetched[:, index]))
                volts = np.concatenate([volts, fetched])
                done = progress.recorded
            zero_us, released_us = progress.switched_us or 0, progress.released_us
            recording = Recording(
                time_s=np.asarray((np.arange(done) * period_us - zero_us) * 1e-6, dtype=np.float64),
                columns={name: in_si(volts[:, index]) for index, (name, in_si) in enumerate(named)},
                released_s=None if released_us is None else (released_us - zero_us) * 1e-6,
            )
            if progress.finished or (done and enough(recording)):
                break
            left_s = (samples - done) * period_us * 1e-6
            self.clock.sleep_until(self.clock.now() + min(every_s, left_s + 0.001))
            self.feed()
        status = self.board.status()
        self._state = status.outputs
        self._check(status)
        if switch_at is not None and progress.switched_us is None:
            raise LinkError(
                f"The board recorded {done} samples but never threw the switch.",
                hint="A fault in the board's firmware: report it with a wire log (--wire-log FILE).",
            )
        return recording

    # -- ending

    def make_safe(self) -> tuple[bool, str]:
        """Turn everything off, in order. Never raises a BenchError.

        Returns
        -------
        (bool, str)
            Whether the board says that all outputs are off, and in words in what state the bench is.
        """
        self._alongside.clear()
        self.armed = False  # as far as this program goes: from here on nobody feeds the board
        with suppress(BenchError):  # in order if it can be; what counts is the DISARM after it
            status = self.board.status()
            if status.armed:
                for state in way(status.outputs, AT_REST):
                    self.board.set_outputs(state)
        try:
            status = self.board.disarm()
        except BenchError as error:
            return False, (
                f"not known: the board did not answer ({error}) "
                f"It turns all outputs off by itself {HOST_SILENT_S:g} s after the last word from this program"
            )
        self._state = status.outputs
        if status.outputs:
            return False, f"NOT safe: outputs still on: {', '.join(sorted(o.name.lower() for o in status.outputs))}"
        return True, "all outputs off, pump stopped, vent open"
