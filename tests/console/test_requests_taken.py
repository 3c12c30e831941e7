"""What a browser sends is held against what can be meant before the bench hears of it."""

from __future__ import annotations

import pytest

from benchrig.console.requests_taken import NotTaken, answer_of, calibration_wanted, check_wanted, run_wanted
from benchrig.console.settings import BenchSettings
from benchrig.errors import BenchError

PART = {"operator": "Kim", "reason": "core", "tag": " C-1042 ", "model": "alder-24", "purged": True}
SIMULATED, REAL = BenchSettings(simulated="good"), BenchSettings()


def test_a_part_becomes_a_command():
    found = run_wanted({**PART, "condition": "wet"}, SIMULATED)
    assert (found["do"], found["tag"], found["model"], found["condition"]) == ("run", "C-1042", "alder-24", "wet")
    assert run_wanted({**PART, "condition": "wet"}, REAL)["condition"] == ""
    assert run_wanted({**PART, "batch": " Monday "}, REAL)["batch"] == "Monday"
    assert check_wanted({"operator": "Kim"})["do"] == "check"
    assert calibration_wanted({"operator": "Kim", "kind": "volume"})["kind"] == "volume"


@pytest.mark.parametrize(
    ("part", "said"),
    [
        ({"tag": ""}, "The tag is empty"),
        ({"tag": "x" * 301}, "at most 300"),
        ({"tag": "a\x00b"}, "unprintable"),
        ({"tag": 5}, "a text is wanted"),
        ({"model": "oak-99"}, "not in the catalogue"),
        ({"model": "../../etc/passwd"}, "not in the catalogue"),
        ({"reason": "because"}, "A reason is one of"),
        ({"batch": "x" * 61}, "cannot be the name of a batch"),
        ({"operator": " "}, "Who stands at the bench"),
        ({"complaint": "x" * 2001}, "at most 2000"),
        ({"purged": "yes"}, "purged"),
        ({"purged": None}, "purged"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_words(part, said):
    with pytest.raises(BenchError, match=said):
        run_wanted({**PART, **part}, SIMULATED)


def test_only_what_can_be_calibrated_is():
    with pytest.raises(NotTaken, match="volume"):
        calibration_wanted({"operator": "Kim", "kind": "weather"})


READ = {"question": 3, "kind": "read", "what": "barometer", "unit": "kPa", "usual": 101.3}


@pytest.mark.parametrize(
    ("typed", "value"), [("99,5", 99.5), (" 100.2", 100.2), ("", 101.3), (None, 101.3), (98, 98.0)]
)
def test_a_reading_is_taken_as_people_type_it(typed, value):
    assert answer_of({"question": 3, "value": typed}, READ) == {"do": "answer", "question": 3, "value": value}


@pytest.mark.parametrize("typed", ["1013", "nan", "inf", "-5", "12 kPa", [], "1e999"])
def test_a_reading_that_cannot_be_one_is_refused(typed):
    with pytest.raises(NotTaken, match="from 50 to 110"):
        answer_of({"question": 3, "value": typed}, READ)


def test_only_the_open_question_is_answered():
    assert answer_of({"question": 2, "value": True}, READ) is None
    assert answer_of({"question": 3, "value": True}, None) is None
    assert answer_of({}, READ) is None
