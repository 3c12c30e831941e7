"""Questions to whoever looks at the console's page: sent as messages, answered by the first browser that does."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from itertools import count
from typing import Any, NamedTuple

from benchrig.application.events import Connected, Event
from benchrig.application.operator_words import ASK, SAY, SAY_CONTROL, SAY_NOW
from benchrig.application.questions import Meanwhile, StudyPart
from benchrig.bench.calibrations import Calibration
from benchrig.sequencer.operator import Fitting, Hands

__all__ = ["Answer", "AskingHands", "PageQuestions"]

LOOK_S = 0.1
"""A stop, an answer, and a board that wants to be fed are looked for this often while a question is open."""


class Answer(NamedTuple):
    """What a browser answered to the question of that number."""

    question: int
    value: Any


class PageQuestions:
    """`Questions` on the page.

    Parameters
    ----------
    say : callable
        Sends a message to the page.
    answers : queue of Answer
        Filled by another thread.
    stop : threading.Event
        Set when somebody wants to stop, or nobody is there any more.
    """

    answered = True

    def __init__(
        self, say: Callable[[dict[str, Any]], None], answers: queue.SimpleQueue[Answer], stop: threading.Event
    ) -> None:
        self._say = say
        self._answers = answers
        self._stop = stop
        self._numbers = count(1)

    def ready(self) -> None:
        """The page has asked before the run was begun."""

    def test_warm(self, celsius: float) -> bool:
        """Ask whether to test it warm too."""
        return self._ask({"kind": "warm", "celsius": celsius}, None) is True

    def connect(self, fitting: Fitting, *, control: bool, meanwhile: Meanwhile) -> None:
        """Say what to connect, and wait until somebody says that it is."""
        text = SAY_CONTROL.get(fitting, SAY[fitting]) if control else SAY[fitting]
        self._ask({"kind": "connect", "text": text, "control": control}, meanwhile)

    def now(self, fitting: Fitting) -> None:
        """Say what to do at this moment."""
        self._say({"say": "do now", "text": SAY_NOW.get(fitting, SAY[fitting])})

    def read(self, what: str, unit: str, *, usual: float | None, meanwhile: Meanwhile) -> float:
        """Ask for a reading; the page takes only what can be one."""
        question = {"kind": "read", "what": what, "text": ASK[what], "unit": unit, "usual": usual}
        return float(self._ask(question, meanwhile))

    def keep(self, found: Calibration) -> bool | None:
        """Ask whether a calibration that moved a constant by much is to be kept."""
        from benchrig.application.calibration import moved_text

        return self._ask({"kind": "keep", "text": moved_text(found)}, None) is True

    def study_part(self, part: StudyPart) -> None:
        """Have a part of a study put on the bench."""
        self._ask({"kind": "part", "part": part.part, "operator": part.operator}, None)

    def _ask(self, question: dict[str, Any], meanwhile: Meanwhile) -> Any:
        number = next(self._numbers)
        self._say({"say": "asks", "question": number, **question})
        try:
            while not self._stop.is_set():
                try:
                    answer = self._answers.get(timeout=LOOK_S)
                except queue.Empty:
                    if meanwhile is not None:
                        meanwhile()
                    continue
                if answer.question == number:
                    return answer.value
        finally:
            self._say({"say": "asked", "question": number})
        raise KeyboardInterrupt


class AskingHands:
    """The hands of a simulated bench, which somebody at the page tells to do what a person would do.

    Without this a simulated bench would connect everything by itself, and nobody would see what is asked for.
    """

    def __init__(self, hands: Hands, questions: PageQuestions, feed: Callable[[], Meanwhile], *, control: bool) -> None:
        self._hands = hands
        self._questions = questions
        self._feed = feed
        self._control = control
        self._told: Connected | None = None

    def listen(self, event: Event) -> None:
        """Hear what is connected next, as the sequencer means it."""
        if isinstance(event, Connected):
            self._told = event

    def connect(self, fitting: str) -> None:
        """Ask, then connect; what may be taken off at leisure, or has to happen at this moment, is not waited for."""
        wanted, during = (Fitting(fitting), False) if self._told is None else self._told
        if during:
            self._questions.now(wanted)
        elif self._control or wanted is not Fitting.VALVE:
            self._questions.connect(wanted, control=self._control, meanwhile=self._feed())
        self._hands.connect(fitting)

    def read(self, what: str) -> float:
        """Read by itself."""
        return self._hands.read(what)
