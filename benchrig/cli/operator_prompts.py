"""What the operator at the terminal is asked: one thing at a time, until an answer comes that can be used."""

from __future__ import annotations

import math
import select
import sys
import threading
from collections.abc import Callable
from concurrent.futures import Future, wait

import click
from rich.console import Console
from rich.text import Text

from benchrig.application.operator_words import ASK, SAY, SAY_CONTROL, SAY_NOW, TAKEN
from benchrig.application.questions import Meanwhile, StudyPart
from benchrig.bench.calibrations import Calibration
from benchrig.cli.live_line import LiveLine
from benchrig.errors import BenchError
from benchrig.sequencer.operator import Fitting, Unattended

__all__ = ["TerminalQuestions", "ring"]

LOOK_S = 0.2


def ring(console: Console) -> None:
    """Ring the terminal's bell: something is to be done, or the verdict is there."""
    if console.is_terminal:
        console.bell()


class TerminalQuestions:
    """`Questions` to whoever sits at the terminal. Where there is none, questions that can wait are not asked."""

    def __init__(self, console: Console, line: LiveLine | None = None) -> None:
        self._console = console
        self._live = line if line is not None else LiveLine(console)

    @property
    def answered(self) -> bool:
        """Whether somebody sits there."""
        return sys.stdin.isatty() and self._console.is_terminal

    def ready(self) -> None:
        """Ask before anything is pumped."""
        if not self.answered:
            return
        self._console.print("\nIs the part aired out, are hose and plug on, is the guard closed?", style="bold")
        self._console.print("Enter to begin; Ctrl-C to stop. ", style="dim", end="")
        if not sys.stdin.readline():
            raise BenchError(
                "Nobody answered: the input ended before the run began.",
                hint="Run it in a terminal, or say --yes where the part is known to be ready.",
            )

    def test_warm(self, celsius: float) -> bool:
        """Ask whether to test it warm too; Enter is yes."""
        self._console.print(
            f"Test it with its coil at {celsius:g} °C too? It takes some minutes, and the coil gets hot. [Y/n] ", end=""
        )
        return not sys.stdin.readline().strip().lower().startswith("n")

    def connect(self, fitting: Fitting, *, control: bool, meanwhile: Meanwhile) -> None:
        """Say what to connect and wait for Enter."""
        self._live.clear()
        said = SAY_CONTROL.get(fitting, SAY[fitting]) if control else SAY[fitting]
        if control:
            ring(self._console)
        self._console.print()
        self._console.print(Text(f"  {said}", style="bold"))
        if control:
            self._console.print(Text("  Outputs are off. Enter when it is done; Ctrl-C to stop. ", style="dim"), end="")
            _line(meanwhile)
        elif fitting is not Fitting.VALVE:
            self._console.print(Text("  Enter when it is on; Ctrl-C to stop. ", style="dim"), end="")
            _line(meanwhile)
            self._console.print()

    def now(self, fitting: Fitting) -> None:
        """Say what to do at this moment."""
        self._live.clear()
        self._console.print(Text(f"  {SAY_NOW.get(fitting, SAY[fitting])}", style="bold"))

    def read(self, what: str, unit: str, *, usual: float | None, meanwhile: Meanwhile) -> float:
        """Ask for a number until one comes that can be."""
        self._live.clear()
        while True:
            said = f"  {ASK[what]}, {unit}{'' if usual is None else f' [{usual:g}]'}: "
            self._console.print(Text(said, style="bold"), end="")
            answer = _line(meanwhile).strip().replace(",", ".")
            if not answer and usual is not None:
                return usual
            low, high = TAKEN[what]
            try:
                value = float(answer)
            except ValueError:
                value = math.nan
            if low <= value <= high:
                return value
            tenfold = (
                f" {answer} hPa would be {value / 10:g} kPa." if unit == "kPa" and low <= value / 10 <= high else ""
            )
            self._console.print(
                Text(f"  A number of {unit} from {low:g} to {high:g} is wanted.{tenfold}", style="yellow")
            )

    def keep(self, found: Calibration) -> bool | None:
        """Ask whether a calibration that moved a constant by much is to be kept."""
        from benchrig.application.calibration import moved_text
        from benchrig.sequencer.calibration.calibrate import MOVED_MOST

        if not sys.stdin.isatty():
            return None
        said = f"\n{moved_text(found)}; over {100 * MOVED_MOST:.0f} % is most often a wrong reference."
        self._console.print(said, style="yellow")
        return click.confirm("Keep it?", default=False, err=True)

    def study_part(self, part: StudyPart) -> None:
        """Say which part goes on the bench and wait for Enter."""
        place = f"{part.number} of {part.whole}"
        click.echo(
            f"\n{place}   Operator {part.operator}: put part {part.part} on the bench, hoses and plug.", err=True
        )
        try:
            click.prompt(
                "          Enter when it is on; Ctrl-C to stop for now",
                default="",
                show_default=False,
                prompt_suffix=" ",
                err=True,
            )
        except click.Abort as stop:  # Ctrl-C or the end of the input at the prompt
            raise KeyboardInterrupt from stop


def _line(meanwhile: Meanwhile) -> str:
    """One line from stdin; a board that is armed must not think us dead while a person reads or types."""
    line = sys.stdin.readline() if meanwhile is None else _line_meanwhile(meanwhile)
    if not line:
        raise Unattended(
            "Nobody answered: the input ended while the bench waited for a person.",
            hint="Run it in a terminal; without hardware: --simulated.",
        )
    return line


def _line_meanwhile(meanwhile: Callable[[], None]) -> str:
    while True:
        try:
            ready = select.select([sys.stdin], [], [], LOOK_S)[0]
        except (OSError, ValueError):  # Windows can wait for sockets only
            return _line_from_a_thread(meanwhile)
        if ready:
            return sys.stdin.readline()
        meanwhile()


def _line_from_a_thread(meanwhile: Callable[[], None]) -> str:
    """Where nothing tells whether a line is there, a thread reads; it touches nothing else and dies with us."""
    source, read = sys.stdin, Future[str]()

    def take() -> None:
        try:
            read.set_result(source.readline())
        except (OSError, ValueError) as error:
            read.set_exception(error)

    threading.Thread(target=take, daemon=True).start()
    while wait((read,), LOOK_S).not_done:
        meanwhile()
    return read.result()
