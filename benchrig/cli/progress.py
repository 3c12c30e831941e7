"""The live line while a valve is on the bench. Plain lines where there is no terminal."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.live import Live
from rich.text import Text

from benchrig.analysis.characteristics import number_text
from benchrig.reports.words import unit_text
from benchrig.sequencer.events import StepResult

__all__ = ["ProgressLine"]

_BAR = 24
MOST_READINGS = 3
"""More than that is for the page, where each has its name."""


class ProgressLine:
    """A `Watcher` on stderr: what is being done, how far, and the reading that a person would watch.

    Refreshed by the bench's own wait loop: no second thread.
    """

    def __init__(self, console: Console, steps: int) -> None:
        self._console = console
        self._steps = steps
        self._step = 0
        self._title = ""
        self._live = Live(console=console, auto_refresh=False, transient=True) if console.is_terminal else None

    def __enter__(self) -> ProgressLine:
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Leave the screen to somebody else for a while."""
        if self._live is not None:
            self._live.stop()
        try:
            yield
        finally:
            if self._live is not None:
                self._live.start()

    def step_began(self, name: str, title: str, expected_s: float) -> None:
        """Show the title."""
        self._step += 1
        self._steps = max(self._steps, self._step)
        self._title = title
        self._show(0.0, expected_s, "")

    def progress(self, name: str, done_s: float, expected_s: float, reading: str) -> None:
        """Move the bar."""
        self._show(done_s, expected_s, reading)

    def step_ended(self, step: StepResult) -> None:
        """Leave one line behind: the step and its first result."""
        seconds = step.ended_s - step.started_s
        line = Text(f"  {step.title:<18}")
        if step.skipped:
            line.append(f"skipped: {step.skipped}", style="yellow")
        else:
            line.append(f"{seconds:6.1f} s   ", style="dim")
            line.append(_gist(step))
        self._console.print(line)

    def _show(self, done_s: float, expected_s: float, reading: str) -> None:
        if self._live is None:
            return
        part = min(done_s / expected_s, 1.0) if expected_s > 0 else 0.0
        full = round(part * _BAR)
        line = Text(f"  {self._step}/{self._steps} {self._title:<16} ")
        line.append("━" * full, style="cyan")
        line.append("─" * (_BAR - full), style="dim")
        line.append(f" {done_s:5.1f} s  ")
        line.append(reading, style="bold")
        self._live.update(line, refresh=True)


def _gist(step: StepResult) -> str:
    """What a step found, in so few words that the line fits 80 columns."""
    for each in step.characteristics:
        if each.value is not None:
            sign = {"above": "> ", "below": "< "}.get(each.bound, "")
            return f"{sign}{number_text(each.name, each.value)} {unit_text(each.unit)}"
        if each.why_not:
            return f"not measured: {each.why_not}"
    read = [(label, f"{value:.4g} {unit_text(unit)}".strip()) for label, (value, unit) in step.readings.items()]
    return " ".join(read[0]) if len(read) == 1 else ", ".join(value for _, value in read[:MOST_READINGS])
