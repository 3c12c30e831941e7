"""What an operator is asked, whoever the operator is and wherever the answer comes from.

A terminal prints the question and reads a line; a console shows it on its page and waits for a button. While they wait
they call what they are given as `meanwhile` at least twice a second: the board is armed and must not think us dead. To
stop, they raise `KeyboardInterrupt`, like Ctrl-C.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from benchrig.bench.calibrations import Calibration
from benchrig.errors import BenchError
from benchrig.sequencer.operator import Fitting, Unattended

__all__ = ["Meanwhile", "Nobody", "Questions", "StudyPart"]

Meanwhile = Callable[[], None] | None
"""To be called at least twice a second while an answer is waited for; None: nothing needs it."""


@dataclass(frozen=True)
class StudyPart:
    """Which part of a study goes on the bench next, and for whom."""

    part: str
    operator: str
    trial: int
    number: int
    whole: int


class Questions(Protocol):
    """Somebody who answers, or the news that nobody does."""

    @property
    def answered(self) -> bool:
        """Whether anybody is there in the middle of a run."""

    def ready(self) -> None:
        """Ask, before anything is pumped, whether the part is aired out, hose and plug are on, and the guard is closed.

        Returns at once where nobody is there; raises `BenchError` when the answer does not come.
        """

    def test_warm(self, celsius: float) -> bool:
        """Whether a part, of which heat is complained, is to be tested warm too. Asked only where `answered`."""

    def connect(self, fitting: Fitting, *, control: bool, meanwhile: Meanwhile) -> None:
        """Have something connected; return when it is. `control`: in the middle of a run, in the valve's place."""

    def now(self, fitting: Fitting) -> None:
        """Have something done at this moment; return at once."""

    def read(self, what: str, unit: str, *, usual: float | None, meanwhile: Meanwhile) -> float:
        """Ask for a reading of a reference instrument. `usual`: what is taken when nothing is entered."""

    def keep(self, found: Calibration) -> bool | None:
        """Whether a calibration that moved a constant by much is to be kept; None: nobody is there to say."""

    def study_part(self, part: StudyPart) -> None:
        """Have a part of a study put on the bench; return when it is."""


class Nobody:
    """Nobody is there: a batch at night. What a bench cannot do by itself ends in `Unattended`."""

    answered = False

    def ready(self) -> None:
        """Take it as ready: whoever began this said so."""

    def test_warm(self, celsius: float) -> bool:
        """No."""
        return False

    def connect(self, fitting: Fitting, *, control: bool, meanwhile: Meanwhile) -> None:
        """Nobody can."""
        raise _unattended(f"to connect the {fitting.value.replace('-', ' ')}")

    def now(self, fitting: Fitting) -> None:
        """Nobody can."""
        raise _unattended(f"to see to the {fitting.value.replace('-', ' ')}")

    def read(self, what: str, unit: str, *, usual: float | None, meanwhile: Meanwhile) -> float:
        """What is usual, or nothing."""
        if usual is None:
            raise _unattended(f"to read the {what}")
        return usual

    def keep(self, found: Calibration) -> bool | None:
        """Nobody says."""
        return None

    def study_part(self, part: StudyPart) -> None:
        """Nobody can."""
        raise _unattended(f"to put part {part.part} on the bench")


def _unattended(what: str) -> BenchError:
    return Unattended(f"Nobody is there {what}.", hint="Run it where somebody can be asked, or on a simulated bench.")
