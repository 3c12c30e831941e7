"""`benchrig models`: check and new; and a valve whose model is not known."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchrig.cli import cli

LIMITS = ("--limit", "coil_resistance_20c_ohm=22..27", "--limit", "hold_leak_sccm=..5", "--limit-from", "drawing 4711")


def run(*arguments: str, typed: str | None = None) -> Result:
    return CliRunner().invoke(cli, ["models", *arguments], input=typed)


def test_a_model_made_from_options_is_one_of_the_workshops_own(workshop):
    made = run("new", "dogwood-12", *LIMITS, "--json")
    assert made.exit_code == 0
    assert json.loads(made.stdout) == {
        "model": "dogwood-12", "file": str(workshop / "models" / "dogwood-12.toml"), "doubts": []
    }  # fmt: skip
    shown = json.loads(run("show", "dogwood-12", "--json").stdout)
    assert [(each["name"], each["low"], each["high"], each["limit_from"]) for each in shown["limits"]] == [
        ("coil_resistance_20c_ohm", 22, 27, "drawing 4711"),
        ("hold_leak_sccm", None, 5, "drawing 4711"),
    ]


def test_a_model_is_made_by_answering_and_a_wrong_answer_is_asked_again(workshop):
    typed = "Dogwood 12\nopen\n\ndrawing 4711\nabout 24\n22..27\n..5\n18..\n\n..18\n\n\n"
    made = run("new", "dogwood-12", typed=typed)
    assert made.exit_code == 0, made.output
    assert "'about 24' is no limit" in made.stderr
    text = (workshop / "models" / "dogwood-12.toml").read_text(encoding="utf-8")
    assert 'normally = "open"' in text
    assert "# Coil resistance at 20 °C, ohm" in text
    shown = json.loads(run("show", "dogwood-12", "--json").stdout)
    assert [each["name"] for each in shown["limits"]] == [
        "coil_resistance_20c_ohm", "hold_leak_sccm", "flow_at_rated_vacuum_lpm_anr", "pull_in_time_ms"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("alder-24", *LIMITS), "there is one of this name"),
        (("Dog Wood", *LIMITS), "small letters"),
        (("unknown", *LIMITS), "not known"),
        (("dogwood-12", "--limit", "hold_leak_sccm=5..2", "--limit-from", "x"), "must be below"),
        (("dogwood-12", "--limit", "hold_leak_sccm=5", "--limit-from", "x"), "is no limit"),
        (("dogwood-12", "--limit", "leak=..5", "--limit-from", "x"), "not a characteristic"),
        (("dogwood-12", "--limit", "hold_leak_sccm", "--limit-from", "x"), "there is no ="),
        (("dogwood-12", "--limit", "hold_leak_sccm=..nan", "--limit-from", "x"), "is no limit"),
        (("dogwood-12", "--limit", "hold_leak_sccm=..5"), "--limit-from"),
    ],
)
def test_what_cannot_be_a_model_is_refused_and_nothing_is_written(arguments, said, workshop):
    result = run("new", *arguments, "--json")
    assert result.exit_code == 2
    assert said in json.loads(result.stdout)["error"]
    assert not list(workshop.rglob("*.toml"))


def test_a_file_of_that_name_is_never_overwritten(workshop):
    folder = workshop / "models"
    folder.mkdir(parents=True)
    (folder / "dogwood-12.toml").write_text("something else", encoding="utf-8")
    result = run("new", "dogwood-12", *LIMITS, "--json")
    assert result.exit_code == 2
    assert (folder / "dogwood-12.toml").read_text(encoding="utf-8") == "something else"


def test_check_tells_every_mistake_of_every_file_and_what_may_be_meant_otherwise(workshop):
    folder = workshop / "models"
    folder.mkdir(parents=True)
    run("new", "elder-24", "--limit", "coil_resistance_20c_ohm=22000..27000", "--limit-from", "drawing 1", "--json")
    (folder / "one.toml").write_text('model = "one"\nnormally = "ajar"\n', encoding="utf-8")
    (folder / "two.toml").write_text("model = two\n", encoding="utf-8")
    result = run("check", "--json")
    document = json.loads(result.stdout)
    assert result.exit_code == 2
    assert len(document["mistakes"]) == 2
    assert document["models"] == ["alder-24", "birch-26", "cedar-44", "elder-24"]
    doubts = " ".join(each["doubt"] for each in document["doubts"])
    assert "Is it a thousand times too large: 27 ohm?" in doubts
    assert "easily taken for elder-24" in doubts
    told = run("check").output
    assert "ajar" in told
    assert "2 cannot, as told above" in told


def test_check_finds_nothing_in_the_demonstration():
    result = run("check")
    assert result.exit_code == 0
    assert result.output == "3 models can be used; no file is wrong.\n"


def qualify(condition: str, model: str, *more: str) -> dict:
    words = ["qualify", "--model", model, "--tag", "T-1", "--simulated", condition, "--json", *more]
    result = CliRunner().invoke(cli, words)
    return {"status": result.exit_code, **json.loads(result.stdout)}


@pytest.mark.slow
@pytest.mark.parametrize("model", ["unknown", "unknown-open"])
def test_a_good_valve_of_an_unknown_model_is_not_accepted_and_its_page_says_so(model):
    found = qualify("good", model)
    assert (found["status"], found["verdict"], found["cause"], found["disposition"]) == (4, "undecided", None, "ask")
    assert found["why"].startswith("No fault found by general practice")
    page = Path(found["page"]).read_text(encoding="utf-8")
    assert "Model not known: judged by general practice only." in page
    assert "No fault found by general practice. This is no pass" in page


@pytest.mark.slow
@pytest.mark.parametrize(
    ("condition", "cause"), [("open-coil", "open coil"), ("stuck-closed", "stuck closed"), ("seat-leak", "seat leak")]
)
def test_a_plain_fault_is_found_without_a_models_limits(condition, cause):
    found = qualify(condition, "unknown")
    assert (found["status"], found["verdict"], found["cause"]) == (1, "reject", cause)
