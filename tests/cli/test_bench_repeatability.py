"""`benchrig bench repeatability`: the published study typed in, a simulated study that is stopped, and bad input."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchrig.application.repeatability import StudyRequest
from benchrig.cli import cli
from tests.analysis.aiag_study import csv_text

SMALL = ["--model", "alder-24", "--simulated", "good", "--parts", "3", "--operators", "1", "--steps", "coil"]


def run(*args: str, stdin: str = "") -> Result:
    return CliRunner().invoke(cli, ["bench", "repeatability", *args], input=stdin)


def document(result: Result) -> dict:
    return json.loads(result.stdout)


def typed_in(folder: Path, text: str) -> str:
    path = folder / "typed.csv"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_the_published_study_typed_in_gives_the_published_figures(tmp_path: Path):
    found = run("--from", typed_in(tmp_path, csv_text()), "--json")
    assert found.exit_code == 0, found.output
    one = document(found)["characteristics"][0]
    # AIAG MSA 4th ed., figure III-B 16
    assert (round(one["grr_percent"], 2), one["ndc"], one["fitness"]) == (27.86, 4, "marginal")
    assert round(one["average_and_range"]["grr_percent"], 2) == 26.68
    page = Path(document(found)["page"]).read_text(encoding="utf-8")
    assert "27.86" in page
    assert "part <bdi>4</bdi>, operator <bdi>B</bdi>: 1.02" in page


def test_the_page_of_the_same_values_is_the_same_to_the_byte(tmp_path: Path):
    pages = [
        Path(document(run("--from", typed_in(tmp_path, csv_text()), "--json"))["page"]).read_bytes() for _ in range(2)
    ]
    assert pages[0] == pages[1]


@pytest.mark.slow
def test_a_simulated_study_finds_the_bench_good_for_the_coil():
    found = run(*SMALL, "--json")
    assert found.exit_code == 0, found.output
    told = document(found)
    assert (told["parts"], told["operators"], told["trials"]) == (3, ["O1"], 2)
    coil = next(one for one in told["characteristics"] if one["name"] == "coil_resistance_20c_ohm")
    assert coil["grr_percent"] < 10
    assert coil["tolerance"] == 5.0
    assert told["made_up"]


@pytest.mark.slow
def test_a_study_that_was_cut_off_goes_on_where_it_stopped(workshop: Path):
    whole = document(run(*SMALL, "--study", "whole", "--json"))["characteristics"]
    run(*SMALL, "--study", "cut", "--json")
    path = workshop / "studies" / "cut.jsonl"
    lines = path.read_bytes().splitlines(keepends=True)
    # Two measurements and the beginning of a third, as a power cut leaves them.
    path.write_bytes(b"".join(lines[:3]) + lines[3][:40])
    on = run(*SMALL, "--study", "cut", "--json")
    assert "goes on: 2 of 6 are measured" in on.stderr
    assert document(on)["characteristics"] == whole


def test_a_study_of_the_same_name_with_other_parts_is_refused(workshop: Path):
    path = workshop / "studies" / "mine.jsonl"
    path.parent.mkdir(parents=True)
    plan = {
        "benchrig_study": 1, "name": "mine", "model": "birch-26", "bench": "b", "simulated": True,
        "parts": ["P1", "P2"], "operators": ["O1"], "trials": 2, "steps": ["coil"], "order": [["P1", "O1", 1]],
        "begun": "2026-11-25T10:00:00+00:00", "setting": {},
    }  # fmt: skip
    path.write_text(json.dumps(plan) + "\n")
    found = run(*SMALL, "--study", "mine")
    assert found.exit_code == 2
    assert "with other model, bench, parts, setting" in found.output
    path.write_text("something else\n")
    assert "not a study's file, or damaged" in run(*SMALL, "--study", "mine").output


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("part,operator,value\n1,A,2\n", "column trial is missing; there are: part, operator, value"),
        ("part,operator,trial,value\n1,A,1,2\n1,A,2,nan\n", "line 3: the value is nan"),
        ("part,operator,trial,value\n1,A,1,two\n", "line 2: value 'two' is not a number"),
        ("part,operator,trial,value\n1,A,first,2\n", "line 2: trial 'first' is not a whole number"),
        ("part,operator,trial,value\n1,A,1,\n", "line 2: value is empty"),
        ("part,operator,trial,value\n", "no measurement below the header"),
        ("part,trial,value\n1,1,2\n1,2,2.1\n2,1,3\n", "part 2, operator 1, trial 2"),
        ("part,trial,value\n1,1,2\n1,2,2.1\n", "At least 2 parts"),
        ("", "column part, trial, value is missing; there are: none"),
    ],
)
def test_bad_values_are_refused_by_line_or_cell(tmp_path: Path, text: str, said: str):
    found = run("--from", typed_in(tmp_path, text))
    assert found.exit_code == 2
    assert said in found.output


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--simulated", "good"], "--model is needed"),
        (["--model", "alder-24", "--severity", "0", "1"], "--severity is for simulated parts"),
        ([*SMALL, "--bench", "x.toml"], "exclude each other"),
        ([*SMALL, "--steps", "coil,fly"], "of coil, hold, flow, clicks"),
        ([*SMALL, "--parts", "A,A"], "A is there twice"),
        ([*SMALL, "--parts", "1"], "needs at least 2 parts"),
        ([*SMALL, "--study", "../x"], "cannot be used"),
        ([*SMALL, "--tolerance", "-1"], "above zero"),
    ],
)
def test_bad_options_are_refused(options: list[str], said: str):
    found = run(*options)
    assert found.exit_code == 2
    assert said in found.output


def test_names_that_somebody_typed_are_data_on_the_page(tmp_path: Path):
    rows = [f"<b>{part}</b>,$x_1$,{trial},{len(part) + trial / 10}" for part in ("a", "bb") for trial in (1, 2)]
    found = run("--from", typed_in(tmp_path, "part,operator,trial,value\n" + "\n".join(rows) + "\n"), "--json")
    assert found.exit_code == 0, found.output
    assert "<b>a</b>" not in Path(document(found)["page"]).read_text(encoding="utf-8")


def test_simulated_parts_can_be_spread_from_one_severity_to_another():
    wanted = StudyRequest("s", None, ("a", "b", "c"), ("o",), 2, ("hold",), None, "seat-leak", (0.0, 0.2), 1)  # type: ignore[arg-type]
    model = type("Model", (), {"model": "alder-24"})()
    object.__setattr__(wanted, "model", model)
    severities = [wanted.simulated_options(part, 0)["severity"] for part in wanted.parts]
    assert severities == pytest.approx([0.0, 0.1, 0.2])
    assert len({wanted.simulated_options("a", number)["seed"] for number in range(5)}) == 5
    assert len({wanted.simulated_options("a", number)["valve_seed"] for number in range(5)}) == 1
