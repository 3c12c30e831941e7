"""What is shown while a valve is on the bench: cautions, a live line, one line for each step that is done."""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

from benchrig.application.events import (
    BenchOpened,
    Event,
    PageNotWritten,
    StepBegan,
    StepEnded,
    Uncalibrated,
    WarmOffered,
    Warned,
    WorkProgress,
)
from benchrig.application.operator_words import CAUTION
from benchrig.cli.live_line import LiveLine
from benchrig.cli.output import say_page_not_written
from benchrig.reports.step_gist import step_gist
from benchrig.sequencer.events import StepResult

__all__ = ["RunDisplay"]


class RunDisplay:
    """Listens to one run."""

    def __init__(self, console: Console, line: LiveLine) -> None:
        self._console = console
        self._line = line
        self._head = ""

    def __call__(self, event: Event) -> None:
        """Show an event."""
        match event:
            case WorkProgress(_, done_s, expected_s, reading):
                self._line.progress(self._head, done_s, expected_s, reading)
            case StepBegan():
                if event.number == 1:
                    self._console.print()
                self._head = f"  {event.number}/{event.of} {event.title:<16} "
                self._line.progress(self._head, 0.0, event.expected_s, "")
            case StepEnded(step):
                self._console.print(_done(step))
            case Warned(text):
                self._console.print(text, style="yellow")
            case BenchOpened(_, simulated):
                self._console.print(
                    "Simulated bench: no hardware is switched, and the valve is made up." if simulated else CAUTION,
                    style="dim" if simulated else "yellow",
                )
            case Uncalibrated():
                self._console.print("UNCALIBRATED: every result of this run is marked so.", style="bold yellow")
            case WarmOffered(asked):
                self._console.print("\nThe complaint speaks of heat.", style="bold")
                if not asked:
                    self._console.print("This run tests the part cold; --warm tests it warm too.")
            case PageNotWritten():
                self._console.print()
                say_page_not_written(event)
            case _:
                pass


def _done(step: StepResult) -> Text:
    """One line to leave behind: the step and its first result."""
    line = Text(f"  {step.title:<18}")
    if step.skipped:
        line.append(f"skipped: {step.skipped}", style="yellow")
    else:
        line.append(f"{step.ended_s - step.started_s:6.1f} s   ", style="dim")
        line.append(step_gist(step))
    return line
