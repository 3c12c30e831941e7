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
    assert "1 runs so far" in first.stderr
    assert "Put it back on its shelf" in Path(
        next(line for line in first.stdout.splitlines() if line.startswith("page")).split()[1]
    ).read_text(encoding="utf-8")
    for seed in range(2, 9):
        assert run(*shelf, "--seed", str(seed), "--json").exit_code == 0
    assert run(*common, "--tag", "C-1", "--json").exit_code == 0
    found = run("bench", "chart", "--baseline", "8", "--json")
    assert found.exit_code == 0, found.output
    told = json.loads(found.stdout)
    assert (told["tag"], told["runs"], told["warns"]) == ("SHELF-1", 8, False)
    coil = next(each for each in told["charts"] if each["name"] == "coil_resistance_20c_ohm")
    assert coil["high"] - coil["low"] < 0.05
    assert run("bench", "chart", "--since", "9999").exit_code == 2
    assert run("bench", "chart", "--tag", "C-1").exit_code == 2
