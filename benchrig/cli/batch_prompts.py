"""A batch at the terminal: what is asked between two valves, and one line for each that is done."""

from __future__ import annotations

import sys

from rich.console import Console
from rich.text import Text

from benchrig.application.batch import Fitted
from benchrig.application.batch_parts import BatchPart
from benchrig.application.batch_tally import BatchTally, PartJudged
from benchrig.application.events import (
    BatchBegan,
    BatchPartJudged,
    BatchStopped,
    BenchOpened,
    Event,
    StepBegan,
    StepEnded,
    Uncalibrated,
    WorkProgress,
)
from benchrig.application.questions import Questions
from benchrig.cli.live_line import LiveLine
from benchrig.cli.operator_prompts import TerminalQuestions, ring
from benchrig.cli.run_display import RunDisplay
from benchrig.records import RunSummary
from benchrig.reports.formatting import visible
from benchrig.reports.run_terminal import fitting

__all__ = ["BatchDisplay", "TerminalBatchQuestions", "tally_text"]

END, BACK = "q", "-"
_STYLES = {"accept": "bold green", "reject": "bold red", "undecided": "bold yellow"}


class TerminalBatchQuestions:
    """`BatchQuestions` to whoever sits at the terminal, or to a file of lines."""

    def __init__(self, console: Console, line: LiveLine) -> None:
        self.during_run: Questions = TerminalQuestions(console, line)
        self._console = console
        self._fit = fitting(console)

    def tag(self, tally: BatchTally, suggested: BatchPart | None) -> str | None:
        """Ask for the tag; Enter alone takes the list's next."""
        while True:
            self._say("\nTag" if suggested is None else f"\nTag [{visible(suggested.tag)}]", "bold", end=": ")
            typed = _typed()
            if typed is None or typed == END:
                return None
            if typed and typed != BACK:
                return typed
            if not typed and suggested is not None:
                return suggested.tag

    def again(self, part: BatchPart, earlier: RunSummary) -> bool:
        """Ask until it is yes or no; Enter and the end of the input are no."""
        at = "" if earlier.started is None else f" at {earlier.started.astimezone():%Y-%m-%d %H:%M}"
        ring(self._console)
        self._say(
            f"{visible(part.tag)} has been tested{at}: run {earlier.run}, {(earlier.verdict or '').upper()}.", "yellow"
        )
        while True:
            self._say("Test it again? y, or Enter to leave it", "bold", end=": ")
            typed = (_typed() or "").lower()
            if typed in ("y", "yes"):
                return True
            if typed in ("", "n", "no", BACK, END):
                return False

    def fitted(self, part: BatchPart) -> Fitted | str:
        """Have it fitted. Keys that were pressed before the question came do not begin a run."""
        complaint = f': "{visible(part.complaint)}"' if part.complaint else ""
        self._say(f"  {visible(part.tag)}   {part.model.model}, {part.reason}{complaint}", "bold")
        self._say("  Aired out? Fit the part, hose and plug; close the guard.", "")
        self._say(f"  Enter begins; {BACK} or another scan: not this part; {END} ends", "dim", end=": ")
        _forget_early_keys()
        typed = _typed()
        if typed is None or typed == END:
            return Fitted.END
        return {"": Fitted.BEGIN, BACK: Fitted.BACK}.get(typed, typed)

    def _say(self, text: str, style: str, end: str = "\n") -> None:
        self._console.print(Text(self._fit(text), style=style), end=end)


class BatchDisplay:
    """Listens to a batch: the live line while a valve is tested, then its verdict and the tally."""

    def __init__(self, console: Console, line: LiveLine) -> None:
        self._console = console
        self._line = line
        self._run = RunDisplay(console, line)
        self._said: set[type] = set()

    def __call__(self, event: Event) -> None:
        """Show an event."""
        match event:
            case BatchBegan(name, since, listed, tested):
                self._console.print(Text(f"Batch {visible(name)}", style="bold"))
                if listed:
                    left_out = (
                        f", {len(tested)} of them left out: a finished run since {since.astimezone():%Y-%m-%d %H:%M}"
                    )
                    self._console.print(f"{len(listed)} parts on the list{left_out if tested else ''}.")
                self._console.print(f"Scan the tag of a part, fit the part, press Enter; {END} ends the batch.")
            case BatchPartJudged(part, tally):
                self._line.clear()
                self._console.print(self._verdict(part))
                self._console.print(f"  {tally_text(tally)}", style="dim")
                ring(self._console)
            case BatchStopped(tally):
                self._line.clear()
                kept = "; their records are kept" if tally.parts else ""
                said = f"\nThe batch stops here. {tally_text(tally)}{kept}."
                self._console.print(said, style="bold")
                if tally.left:
                    self._console.print(f"{len(tally.left)} of the list are left; the same command goes on with them.")
            case BenchOpened() | Uncalibrated() if type(event) in self._said:
                pass  # once a batch is enough
            case StepEnded():
                self._line.clear()
            case WorkProgress() | StepBegan() if not self._console.is_terminal:
                pass
            case _:
                self._said.add(type(event))
                self._run(event)

    def _verdict(self, part: PartJudged) -> Text:
        line = Text(f"  {part.verdict.upper():<10}", style=_STYLES[part.verdict])
        line.append(visible(part.tag), style="bold")
        rest = [part.disposition if part.cause is None else f"{part.cause}: {part.disposition}"]
        if part.bench_seconds is not None:
            rest.append(f"{part.bench_seconds:.1f} s")
        line.append("   ".join(["", *rest, f"run {part.run}"]), style="not bold default")
        return Text(fitting(self._console)(line.plain), spans=line.spans)


def tally_text(tally: BatchTally) -> str:
    """The running tally in one line."""
    each = "" if tally.seconds_per_valve is None else f"; {tally.seconds_per_valve:.1f} s per valve"
    return (
        f"{len(tally.parts)} tested: {tally.count('accept')} accepted, {tally.count('reject')} rejected, "
        f"{tally.count('undecided')} undecided{each}"
    )


def _typed() -> str | None:
    """A line without the blanks around it; None at the end of the input."""
    line = sys.stdin.readline()
    return line.strip() if line else None


def _forget_early_keys() -> None:
    """Drop what was typed ahead: a second Enter must not begin a run with nothing on the bench."""
    if not sys.stdin.isatty():
        return
    try:
        import termios
    except ImportError:  # Windows
        import msvcrt

        while msvcrt.kbhit():  # type: ignore[attr-defined]  # not where this is checked
            msvcrt.getwch()  # type: ignore[attr-defined]
        return
    termios.tcflush(sys.stdin, termios.TCIFLUSH)
