"""What is shown while a valve is on the bench: cautions, a live line, one line for each step that is done."""

from __future__ import annotations

from rich.console import Console
from rich.text import Text

from benchrig.analysis.characteristics import number_text
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
from benchrig.cli.live_line import LiveLine
from benchrig.cli.output import say_page_not_written
from benchrig.reports.formatting import unit_text
from benchrig.sequencer.events import StepResult

__all__ = ["CAUTION", "RunDisplay"]

CAUTION = (
    "Caution. A used valve holds fuel: purge it with inert gas or air it outdoors first, ventilate, no sparks or "
    "flames. Use a reservoir rated for vacuum and wear eye protection; the coil gets hot. Emergency stop and guard "
    "must be wired in hardware: this program is never the safety function. Local codes and a competent, licensed "
    "person decide."
)
"""One paragraph: whoever prints it breaks it where the terminal ends."""
MOST_READINGS = 3
"""More than that is for the page, where each has its name."""


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
        line.append(_gist(step))
    return line


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
