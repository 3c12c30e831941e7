"""What a console would be: somebody who listens to events and answers questions, without a terminal."""

from __future__ import annotations

from benchrig.application.events import Event
from benchrig.application.questions import Meanwhile, StudyPart
from benchrig.bench.calibrations import Calibration
from benchrig.sequencer.operator import Fitting

SHORT = "[sequence]\nhold_s = 5\nflow_s = 3\nclicks = 3\ncoil_readings = 2\n"


class Console:
    """Listens, and answers every question at once; `hands` connect and read on the bench."""

    answered = True

    def __init__(self, hands=None, *, warm: bool = False, keep: bool | None = True, feeds: int = 0) -> None:
        self.events: list[Event] = []
        self.asked: list[str] = []
        self._hands = hands
        self._warm, self._keep, self._feeds = warm, keep, feeds

    def __call__(self, event: Event) -> None:
        self.events.append(event)

    def of(self, kind: type) -> list:
        return [each for each in self.events if type(each) is kind]

    def ready(self) -> None:
        self.asked.append("ready")

    def test_warm(self, celsius: float) -> bool:
        self.asked.append(f"warm {celsius:g}")
        return self._warm

    def connect(self, fitting: Fitting, *, control: bool, meanwhile: Meanwhile) -> None:
        self.asked.append(f"{'control ' if control else ''}connect {fitting.value}")
        self._wait(meanwhile)
        self._hands.connect("blind-plug" if fitting is Fitting.VESSEL else fitting.value)

    def now(self, fitting: Fitting) -> None:
        self.asked.append(f"now {fitting.value}")
        self._hands.connect(fitting.value)

    def read(self, what: str, unit: str, *, usual: float | None, meanwhile: Meanwhile) -> float:
        self.asked.append(f"read {what}{' while fed' if meanwhile is not None else ''}")
        self._wait(meanwhile)
        return self._hands.read(what)

    def keep(self, found: Calibration) -> bool | None:
        self.asked.append("keep")
        return self._keep

    def study_part(self, part: StudyPart) -> None:
        self.asked.append(f"part {part.part} for {part.operator}, trial {part.trial}")

    def _wait(self, meanwhile: Meanwhile) -> None:
        if meanwhile is not None:
            for _ in range(self._feeds):
                meanwhile()
