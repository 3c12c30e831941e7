"""What a screen draws while a valve is measured: readings of the bench made into the curves that a person knows."""

from __future__ import annotations

from benchrig.analysis.results import Samples
from benchrig.application.events import Listener, Sampled
from benchrig.bench.bench import Bench
from benchrig.sequencer.events import StepResult
from benchrig.sequencer.steps.ready import AIR_LABEL

__all__ = ["MOST_AT_ONCE", "LiveCurves"]

CLICKING = ("clicks", "warm")
MOST_AT_ONCE = 400
"""Of what comes at once every so many-th sample is told: a screen shows no more. The record keeps them all."""


class LiveCurves:
    """Listens to a bench and tells `Sampled`. The vacuum is known once the pressure of the room is."""

    def __init__(self, bench: Bench, tell: Listener) -> None:
        self._began_s = bench.clock.now()
        self._tell = tell
        self._room_pa: float | None = None
        self._set = 0
        self._clicking = False
        self._last_from_s: dict[str, float] = {}
        bench.on_readings = self._readings

    def step_began(self, name: str) -> None:
        """Know which step goes on: the current is a curve that people look at where the valve clicks."""
        self._clicking = name in CLICKING

    def step_ended(self, step: StepResult) -> None:
        """Learn the pressure of the room from the step that reads it."""
        if AIR_LABEL in step.readings:
            self._room_pa = step.readings[AIR_LABEL][0] * 1000

    def _readings(self, column: str, from_s: float, after_s: Samples, values: Samples) -> None:
        if self._last_from_s.get(column) != from_s:
            self._last_from_s[column] = from_s
            self._set += 1
        every = -(-len(values) // MOST_AT_ONCE)
        began_s, times = round(from_s - self._began_s, 4), tuple(after_s[::every].round(5).tolist())
        if column == "current_a" and self._clicking:
            self._tell(Sampled("current", "A", self._set, began_s, times, tuple(values[::every].round(4).tolist())))
        elif column == "pressure_pa" and self._room_pa is not None:
            kpa = (self._room_pa - values[::every]) / 1000
            self._tell(Sampled("vacuum", "kPa", self._set, began_s, times, tuple(kpa.round(3).tolist())))
