"""What a browser may send: held against what can be meant before the bench process hears of it."""

from __future__ import annotations

import math
from typing import Any, get_args

from benchrig.application.batch import batch_name
from benchrig.application.operator_words import TAKEN
from benchrig.application.paths import model_folders
from benchrig.application.qualification import check_tag
from benchrig.bench.constants import KINDS_OF_CALIBRATION
from benchrig.catalogue import Catalogue
from benchrig.console.settings import BenchSettings
from benchrig.errors import BenchError
from benchrig.verdict.judgement import Reason

__all__ = ["NotTaken", "answer_of", "calibration_wanted", "check_wanted", "run_wanted"]

LONGEST_TEXT = 2000
LONGEST_NAME = 80


class NotTaken(BenchError):
    """Something was sent that cannot be meant."""


def run_wanted(given: dict[str, Any], settings: BenchSettings) -> dict[str, Any]:
    """The command for a run.

    Raises
    ------
    BenchError
        Tag, model, reason or a text cannot be right; or nobody said that the part is purged and the room ventilated.
    """
    if given.get("purged") is not True:
        raise NotTaken("Nobody said that the part is purged and the room ventilated.", hint="Purge it, then say so.")
    reason = _text(given, "reason", LONGEST_NAME)
    if reason not in get_args(Reason):
        raise NotTaken(f"A reason is one of {', '.join(get_args(Reason))}.")
    batch = _text(given, "batch", LONGEST_TEXT)
    return {
        "do": "run",
        "draft": _text(given, "draft", LONGEST_NAME),
        "tag": check_tag(_text(given, "tag", LONGEST_TEXT)),
        "model": Catalogue(model_folders()).get(_text(given, "model", LONGEST_NAME)).model,
        "reason": reason,
        "operator": _operator(given),
        "batch": batch_name(batch) if batch else "",
        "complaint": _text(given, "complaint", LONGEST_TEXT),
        "findings": _text(given, "findings", LONGEST_TEXT),
        "condition": _text(given, "condition", LONGEST_NAME) if settings.simulated else "",
    }


def check_wanted(given: dict[str, Any]) -> dict[str, Any]:
    """The command for a bench check."""
    return {"do": "check", "draft": _text(given, "draft", LONGEST_NAME), "operator": _operator(given)}


def calibration_wanted(given: dict[str, Any]) -> dict[str, Any]:
    """The command for a calibration."""
    kind = _text(given, "kind", LONGEST_NAME)
    if kind not in KINDS_OF_CALIBRATION:
        raise NotTaken(f"What is calibrated is one of {', '.join(KINDS_OF_CALIBRATION)}.")
    return {"do": "calibrate", "kind": kind, "draft": _text(given, "draft", LONGEST_NAME), "operator": _operator(given)}


def answer_of(given: dict[str, Any], question: dict[str, Any] | None) -> dict[str, Any] | None:
    """The command that answers the open question; None where another one was answered.

    Raises
    ------
    NotTaken
        A reading that cannot be one.
    """
    if question is None or given.get("question") != question["question"]:
        return None
    value = given.get("value")
    if question["kind"] == "read":
        value = _reading(value, question)
    return {"do": "answer", "question": question["question"], "value": value}


def _reading(value: Any, question: dict[str, Any]) -> float:
    low, high = TAKEN[question["what"]]
    if value in (None, "") and question["usual"] is not None:
        return float(question["usual"])
    try:
        number = float(str(value).strip().replace(",", "."))
    except ValueError:
        number = math.nan
    if not low <= number <= high:
        raise NotTaken(f"A number of {question['unit']} from {low:g} to {high:g} is wanted.")
    return number


def _operator(given: dict[str, Any]) -> str:
    name = _text(given, "operator", LONGEST_NAME)
    if not name:
        raise NotTaken("Who stands at the bench?", hint="Give a name: it stands in the record.")
    return name


def _text(given: dict[str, Any], key: str, longest: int) -> str:
    text = given.get(key, "")
    if not isinstance(text, str):
        raise NotTaken(f"{key}: a text is wanted.")
    text = text.strip()
    if len(text) > longest:
        raise NotTaken(f"{key}: at most {longest} characters are taken; these are {len(text)}.")
    return text
