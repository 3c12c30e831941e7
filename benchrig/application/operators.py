"""Who connects things and reads references for the sequencer: the bench by itself, or somebody who is asked."""

from __future__ import annotations

from typing import cast

from benchrig.application.events import Connected, Listener, ReferenceRead, WorkProgress
from benchrig.application.questions import Meanwhile, Questions
from benchrig.bench.bench import Bench
from benchrig.bench.opening import OpenedBench
from benchrig.errors import ConfigError
from benchrig.sequencer.operator import Fitting, Hands, Operator

__all__ = ["AskedOperator", "SelfConnectingBench", "control_operator", "operator_for"]


class AskedOperator:
    """Somebody who is asked, with the board fed meanwhile wherever it is armed."""

    def __init__(self, questions: Questions, tell: Listener, bench: Bench, *, control: bool = False) -> None:
        self._questions = questions
        self._tell = tell
        self._bench = bench
        self._control = control

    def connect(self, fitting: Fitting) -> None:
        """Have it connected."""
        self._questions.connect(fitting, control=self._control, meanwhile=self._meanwhile())

    def now(self, fitting: Fitting) -> None:
        """Have it done."""
        self._questions.now(fitting)

    def read(self, what: str, unit: str) -> float:
        """Have it read; for the barometer the bench file's station pressure is what is usual."""
        usual = self._bench.file.bench.barometer_kpa if what == "barometer" else None
        return self._questions.read(what, unit, usual=usual, meanwhile=self._meanwhile())

    def doing(self, what: str, done_s: float, expected_s: float, reading: str) -> None:
        """Tell it."""
        self._tell(WorkProgress(what, done_s, expected_s, reading))

    def _meanwhile(self) -> Meanwhile:
        return self._bench.feed if self._bench.armed else None


class SelfConnectingBench:
    """A bench that has hands of its own, as the simulated one does: what a person is told, it does at once."""

    def __init__(self, hands: Hands, tell: Listener) -> None:
        self._hands = hands
        self._tell = tell

    def connect(self, fitting: Fitting) -> None:
        """Have it connected."""
        self._tell(Connected(fitting))
        # A vessel whose tap is closed is a blind plug to the bench.
        self._hands.connect(Fitting.BLIND.value if fitting is Fitting.VESSEL else fitting.value)

    def now(self, fitting: Fitting) -> None:
        """Have it done at once."""
        self._tell(Connected(fitting, during=True))
        self._hands.connect(fitting.value)

    def read(self, what: str, unit: str) -> float:
        """Have it read."""
        value = self._hands.read(what)
        self._tell(ReferenceRead(what, value, unit))
        return value

    def doing(self, what: str, done_s: float, expected_s: float, reading: str) -> None:
        """Tell it."""
        self._tell(WorkProgress(what, done_s, expected_s, reading))


def own_hands(hands: object | None) -> Hands | None:
    """What a bench connects references with by itself; None where it needs a person."""
    return cast("Hands", hands) if hasattr(hands, "connect") and hasattr(hands, "read") else None


def operator_for(opened: OpenedBench, questions: Questions, tell: Listener) -> Operator:
    """Who works on a bench from beginning to end: the bench itself where it can, else whoever answers.

    Raises
    ------
    ConfigError
        A simulated bench without hands of its own, and nobody there.
    """
    own = own_hands(opened.hands)
    if own is not None:
        return SelfConnectingBench(own, tell)
    if opened.bench.file.bench.simulated and not questions.answered:
        raise ConfigError(
            "This simulated bench cannot connect anything by itself: run it in a terminal.",
            hint="Somebody must be there to answer; or --simulated, which connects by itself.",
        )
    return AskedOperator(questions, tell, opened.bench)


def control_operator(opened: OpenedBench, questions: Questions, tell: Listener) -> Operator | None:
    """Who takes the valve off in the middle of a run: the bench itself, whoever answers, or nobody."""
    own = own_hands(opened.hands)
    if own is not None:
        return SelfConnectingBench(own, tell)
    return AskedOperator(questions, tell, opened.bench, control=True) if questions.answered else None
