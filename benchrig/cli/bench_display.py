"""What is shown while a bench is checked, calibrated or studied."""

from __future__ import annotations

import shutil
import textwrap

import click
from rich.console import Console
from rich.text import Text

from benchrig.application.events import (
    BenchOpened,
    CalibrationBegan,
    Checked,
    Connected,
    Event,
    NothingKept,
    ReferenceRead,
    StudyComplete,
    StudyOpened,
    StudyPartMeasured,
    StudyStopped,
    Warned,
    WorkProgress,
)
from benchrig.application.operator_words import ASK, CAUTION, SAY, SAY_NOW
from benchrig.cli.live_line import LiveLine
from benchrig.reports.bench_text import print_check_item

__all__ = ["BenchDisplay", "show_study"]


class BenchDisplay:
    """Listens to a bench check or a calibration."""

    def __init__(self, console: Console, line: LiveLine) -> None:
        self._console = console
        self._line = line

    def __call__(self, event: Event) -> None:
        """Show an event."""
        if isinstance(event, WorkProgress):
            self._line.progress(f"    {event.what:<24} ", event.done_s, event.expected_s, event.reading)
            return
        self._line.clear()
        match event:
            case BenchOpened(name, simulated):
                self._console.print(f"Bench check of {name}{', simulated' if simulated else ''}.\n", style="bold")
            case CalibrationBegan():
                of = f"{event.bench}{', simulated' if event.simulated else ''}"
                self._console.print(f"{event.title}; {of}.\n", style="bold")
            case Connected(fitting, during):
                said = SAY_NOW.get(fitting, SAY[fitting]) if during else SAY[fitting]
                self._console.print(Text(f"  {said}", style="dim"), soft_wrap=True)
            case ReferenceRead(what, value, unit):
                self._console.print(Text(f"  {ASK[what]}: {value:.7g} {unit}", style="dim"))
            case Checked(item):
                print_check_item(item, self._console)
            case NothingKept():
                click.echo("Nothing was kept: the constants in use until now stand.", err=True)
            case _:
                pass


def show_study(event: Event) -> None:
    """Show an event of a study: which part goes on, never what was measured."""
    match event:
        case StudyComplete(name, whole):
            _echo(f"Study {name} is complete: {whole} measurements. Another --study NAME begins a new one.")
        case StudyOpened(name, done, whole, simulated):
            if done:
                _echo(f"Study {name} goes on: {done} of {whole} are measured.")
            if simulated:
                _echo(
                    "Simulated parts on one simulated bench. Between measurements a part's plug is taken off and put "
                    "on again;\nsimulated operators do nothing differently, so what is seen between them is chance.\n"
                )
            else:
                _echo(textwrap.fill(CAUTION, shutil.get_terminal_size().columns) + "\n")
        case StudyPartMeasured():
            place = f"{event.number} of {event.whole}"
            if event.simulated:
                _echo(f"  {place:>10}   part {event.part:<8} {event.operator:<12} trial {event.trial}")
            else:
                _echo("          measured; take it off.")
        case StudyStopped(done, whole):
            _echo(f"\n{done} of {whole} measurements are kept; the same command goes on from there.")
        case Warned(text):
            _echo(text)
        case _:
            pass


def _echo(text: str) -> None:
    click.echo(text, err=True)
