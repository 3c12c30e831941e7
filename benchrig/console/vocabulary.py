"""The words that the program uses elsewhere out of a fixed choice, and that a page in another language translates."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

from benchrig.analysis.characteristics import CHARACTERISTICS
from benchrig.application.operator_words import ASK, CAUTION, SAY, SAY_CONTROL, SAY_NOW
from benchrig.reports.page_text import PRACTICE_ONLY
from benchrig.reports.plain_words import DISPOSITIONS, cause_sentence, plain_sentence
from benchrig.sequencer.sequence import STEPS, WARM_STEP
from benchrig.verdict.hypotheses import CAUSES
from benchrig.verdict.wet import WET

if TYPE_CHECKING:
    from benchrig.records.run_record import RunRecord

__all__ = ["words"]

_VERDICTS = ("Accept", "Reject", "Undecided", "Aborted: no verdict", "Still running: no verdict yet")
_OUTCOMES = (
    "pass",
    "conditional pass",
    "conditional fail",
    "fail",
    "not measured",
    "no limit",
    "not judged",
    "not done",
    "accept",
    "reject",
    "undecided",
    "aborted",
    "running",
    "finished",
)
_REASONS = ("core", "return", "new-stock", "check-valve")


def words() -> tuple[str, ...]:
    """All of them."""
    steps = (*(step.title for step in (*STEPS, WARM_STEP)), "Control")
    titles = tuple(about.title for about in CHARACTERISTICS.values())
    said = (*SAY.values(), *SAY_CONTROL.values(), *SAY_NOW.values(), *ASK.values(), CAUTION)
    causes = (*CAUSES, WET)
    chosen = (*_VERDICTS, *_OUTCOMES, *_REASONS, *DISPOSITIONS.values(), PRACTICE_ONLY)
    return tuple(dict.fromkeys((*steps, *titles, *said, *causes, *chosen, *_sentences())))


def _sentences() -> Iterator[str]:
    """What a verdict can be told as in a sentence: every one that the words of the printed page can make."""
    for reason, verdict, disposition, cause, practice in product(
        ("core", "new-stock"), ("accept", "reject", "undecided"), DISPOSITIONS, (None, *CAUSES, WET), (False, True)
    ):
        judged = SimpleNamespace(
            verdict=verdict, disposition=disposition, cause=cause, cause_probability=1.0, judged=()
        )
        model = SimpleNamespace(general_practice=practice)
        known = SimpleNamespace(judgement=judged, intake=SimpleNamespace(reason=reason), model=model)
        record = cast("RunRecord", known)
        yield plain_sentence(record)
        said = cause_sentence(record)
        if said:
            yield from (said, said.replace(".", " once it is warm."))
