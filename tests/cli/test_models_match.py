"""`benchrig models match`, and the warning that a part is not the one on the ticket."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from click.testing import CliRunner

from benchrig.application import model_match
from benchrig.cli import cli
from tests.cli.test_models_learn import measure
from tests.reports.sample_record import sample


def match(run: str) -> dict:
    result = CliRunner().invoke(cli, ["models", "match", run, "--json"])
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_a_runs_part_is_put_to_the_models_of_the_catalogue():
    measure(8)
    found = match("GOOD-3")
    assert (found["ticket"], found["models"][0]["model"], found["warning"]) == ("alder-24", "alder-24", "")
    assert found["models"][0]["known_from_runs"] == 7  # all but the part itself
    said = CliRunner().invoke(cli, ["models", "match", "GOOD-3"]).output
    assert "on the ticket" in said
    assert "its limits alone" in said


@pytest.mark.parametrize(("bound", "works_as"), [("", "closed"), ("below", "closed"), ("above", "")])
def test_a_valve_that_holds_and_lets_in_shows_its_state_without_current(bound, works_as):
    record = sample("accept")
    steps = tuple(
        replace(
            step,
            characteristics=tuple(
                replace(each, bound=bound) if each.name == "hold_leak_sccm" else each for each in step.characteristics
            ),
        )
        for step in record.steps
    )
    assert model_match._works_as(replace(record, steps=steps)) == works_as


@pytest.mark.slow
@pytest.mark.parametrize(("really", "told"), [("cedar-44", True), ("alder-24", False)])
def test_another_valve_than_the_one_on_the_ticket_is_told_with_the_verdict(really, told, monkeypatch):
    monkeypatch.setattr("benchrig.application.model_choice.simulated_as", lambda _: really)
    words = ["qualify", "--model", "alder-24", "--tag", "T", "--simulated", "good", "--json"]
    result = CliRunner().invoke(cli, words)
    assert ("not the part on the ticket: it measures as cedar-44" in " ".join(result.stderr.split())) is told
