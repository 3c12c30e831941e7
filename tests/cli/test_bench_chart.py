"""`benchrig bench chart`, from runs of a check valve in the store."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchrig.cli import cli


def run(*args: str) -> Result:
    return CliRunner().invoke(cli, list(args))


def test_without_a_check_valve_it_says_how_to_begin():
    found = run("bench", "chart")
    assert found.exit_code == 2
    assert "--reason check-valve" in found.output


@pytest.mark.slow
def test_runs_of_a_check_valve_make_its_chart_and_others_do_not():
    common = ["qualify", "--model", "alder-24", "--simulated", "good"]
    shelf = [*common, "--tag", "SHELF-1", "--same-part", "5", "--reason", "check-valve"]
    first = run(*shelf, "--seed", "1")
    assert first.exit_code == 0, first.output
    assert "1 run so far" in first.stderr
    assert "Put it back on its shelf" in Path(
        next(line for line in first.stdout.splitlines() if line.startswith("page")).split()[1]
    ).read_text(encoding="utf-8")
    assert run(*shelf, "--seed", "2", "--json").exit_code == 0
    assert run(*common, "--tag", "C-1", "--json").exit_code == 0
    found = run("bench", "chart", "--json")
    assert found.exit_code == 0, found.output
    told = json.loads(found.stdout)
    assert (told["tag"], told["runs"], told["warns"]) == ("SHELF-1", 2, False)
    assert {each["why"] for each in told["charts"]} == {"2 of 20 runs for its limits"}
    names = {each["name"] for each in told["charts"]}
    assert {"coil_resistance_20c_ohm", "hold_leak_sccm", "transducer_less_barometer_pa"} <= names
    assert run("bench", "chart", "--since", "9999").exit_code == 2
    assert run("bench", "chart", "--tag", "C-1").exit_code == 2
