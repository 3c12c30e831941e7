"""One valve model's file: what it gives, and that every mistake in it is told at once."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchrig.analysis.characteristics import CHARACTERISTICS
from benchrig.catalogue import Catalogue, ValveModel, read_model
from benchrig.errors import ConfigError
from benchrig.verdict.conformity import GUARD_BANDS
from benchrig.verdict.judgement import Limit

HEAD = """
model = "oak-1"
title = "Oak 1"
normally = "closed"
rated_vacuum_kpa = 30
"""
LEAK = """
[[limit]]
name = "hold_leak_sccm"
high = 5
limit_from = "made up"
"""


def mistakes(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        read_model(text, where="oak.toml")
    first, *rest = str(caught.value).splitlines()
    assert first == f"Model file oak.toml: {len(rest)} mistake{'' if len(rest) == 1 else 's'}."
    assert caught.value.exit_status == 2
    assert caught.value.hint
    return [line.strip() for line in rest]


def test_a_short_file_is_enough() -> None:
    model = read_model(HEAD + LEAK, where="oak.toml")
    assert (model.model, model.title, model.normally, model.fictional) == ("oak-1", "Oak 1", "closed", False)
    assert (model.rated_vacuum_kpa, model.hold_vacuum_kpa, model.coil_limit_s) == (30.0, 60.0, 120.0)
    assert model.guard_band == "0.83 U"
    assert model.limits == (Limit("hold_leak_sccm", None, 5.0, "made up"),)


def test_the_choices_of_guard_band_are_those_of_the_decision_rule() -> None:
    for guard_band in GUARD_BANDS:
        assert read_model(f'{HEAD}guard_band = "{guard_band}"\n{LEAK}', where="x").guard_band == guard_band
    [said] = mistakes(f'{HEAD}guard_band = "2 U"\n{LEAK}')
    assert said == "guard_band is '2 U': should be 'none', '0.83 U' or 'U'."


def test_every_mistake_is_told_at_once_with_its_place_and_what_to_do() -> None:
    said = mistakes(
        """
model = "Bad Name"
norm = "closed"
normally = "ajar"
title = ""
rated_vacuum_kpa = "thirty"
guard_band = "2U"
[[limit]]
name = "hold_leak"
low = 5
limit_from = "x"
[[limit]]
name = "hold_leak_sccm"
limit_from = "x"
[[limit]]
name = "pull_in_time_ms"
low = 5
high = 1
limit_from = "x"
[[limit]]
name = "pull_in_time_ms"
hihg = 3
low = -2
"""
    )
    text = "\n".join(said)
    for piece in (
        "model is 'Bad Name': a model's name is small letters, digits and single hyphens. Rename it.",
        "norm: not a name that benchrig knows. Did you mean normally?",
        "normally is 'ajar': should be 'closed' or 'open'.",
        "title is '': string should have at least 1 character.",
        "rated_vacuum_kpa is 'thirty': should be a valid number.",
        "guard_band is '2U': should be 'none', '0.83 U' or 'U'.",
        "[[limit]] number 1 (hold_leak) name is 'hold_leak': not a characteristic that benchrig measures; "
        "did you mean hold_leak_sccm?",
        "[[limit]] number 2 (hold_leak_sccm): neither low nor high is given; give at least one side.",
        "[[limit]] number 3 (pull_in_time_ms): low (5) must be below high (1).",
        "[[limit]] number 4 (pull_in_time_ms) hihg: not a name that benchrig knows. Did you mean high?",
        "[[limit]] number 4 (pull_in_time_ms) low is -2: should be greater than or equal to 0.",
        "[[limit]] number 4 (pull_in_time_ms) limit_from: missing. Add it.",
        "the file: more than one [[limit]] for pull_in_time_ms; keep one of each.",
    ):
        assert piece in said, text
    assert len(said) == 13


def test_a_model_without_limits_is_refused() -> None:
    assert mistakes(HEAD) == ["the file: no [[limit]] at all; without a limit every valve would be accepted."]


def test_the_same_limit_twice_is_refused() -> None:
    assert mistakes(HEAD + LEAK + LEAK) == ["the file: more than one [[limit]] for hold_leak_sccm; keep one of each."]


@pytest.mark.parametrize(("low", "high"), [(5, 5), (6, 5)])
def test_limits_must_leave_room_between_them(low: float, high: float) -> None:
    [said] = mistakes(f'{HEAD}[[limit]]\nname = "steady_current_a"\nlow = {low}\nhigh = {high}\nlimit_from = "x"')
    assert said == f"[[limit]] number 1 (steady_current_a): low ({low}) must be below high ({high})."


@pytest.mark.parametrize("value", ["nan", "inf", "true", '"5"', "[5]", "-0.1"])
def test_a_limit_is_a_plain_number(value: str) -> None:
    [said] = mistakes(f'{HEAD}[[limit]]\nname = "hold_leak_sccm"\nhigh = {value}\nlimit_from = "x"')
    assert said.startswith("[[limit]] number 1 (hold_leak_sccm) high")


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("rated_vacuum_kpa", "0"),
        ("rated_vacuum_kpa", "100"),
        ("hold_vacuum_kpa", "4"),
        ("hold_vacuum_kpa", "86"),
        ("coil_limit_s", "0"),
        ("coil_limit_s", "601"),
        ("fictional", '"yes"'),
        ("notes", "3"),
    ],
)
def test_values_out_of_range_name_the_key_and_the_value(key: str, value: str) -> None:
    lines = [line for line in HEAD.splitlines() if not line.startswith(key)]
    [said] = mistakes("\n".join([*lines, f"{key} = {value}", LEAK]))
    assert said.startswith(f"{key} is ")
    assert value.strip('"') in said


def test_a_limit_that_is_no_table_is_explained() -> None:
    assert "limit is 3: write each limit as a table of its own under [[limit]]." in mistakes(f"{HEAD}limit = 3")
    assert mistakes(f"{HEAD}limit = [3]")[0].startswith("[[limit]] number 1 is 3: write each limit as a table")


def test_a_name_far_from_any_known_one_lists_them_all() -> None:
    [said] = mistakes(f'{HEAD}[[limit]]\nname = "colour"\nhigh = 5\nlimit_from = "x"')
    assert all(name in said for name in CHARACTERISTICS)


def test_broken_toml_is_told_with_its_line() -> None:
    with pytest.raises(ConfigError, match=r"oak.toml: not valid TOML: .*line 2") as caught:
        read_model("model = 1\ntitle = Oak", where="oak.toml")
    assert "key = value" in caught.value.hint


def test_a_file_that_is_no_file_or_not_text_is_told_with_its_path(tmp_path: Path) -> None:
    folder, binary = tmp_path / "folder.toml", tmp_path / "binary.toml"
    folder.mkdir()
    binary.write_bytes(b"model = \xff\xfe")
    with pytest.raises(ConfigError, match=re.escape(f"{binary}: byte 8 is not UTF-8 text")):
        Catalogue((tmp_path,)).get("binary")
    with pytest.raises(ConfigError, match=re.escape(f"{folder}: cannot be read")):
        Catalogue((tmp_path,)).get("folder")


def test_a_model_cannot_be_changed_once_read() -> None:
    model = read_model(HEAD + LEAK, where="oak.toml")
    with pytest.raises(ValueError, match="frozen"):
        model.title = "Other"
    assert isinstance(model, ValveModel)
