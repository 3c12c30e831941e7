"""`benchrig rehearse` as a user calls it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchrig.application.paths import demo_folder, store_path
from benchrig.cli import cli

OURS = {"wall_seconds", "workers"}


def rehearse(*more: str):
    return CliRunner().invoke(cli, ["rehearse", *more], catch_exceptions=False)


@pytest.fixture
def here(monkeypatch):
    """Valves one after the other in this process: what one worker does, without the start of an interpreter."""

    def in_this_process(work, *, workers, clock):
        for entry in work.entries:
            yield work.done(entry)

    monkeypatch.setattr("benchrig.workers.processes.work_through", in_this_process)


@pytest.mark.slow
def test_the_same_seed_gives_the_same_document_whatever_the_number_of_workers(workshop):
    said = []
    for workers in ("1", "2"):
        result = rehearse("--valves", "3", "--seed", "7", "--workers", workers, "--json")
        assert result.exit_code == 0
        said.append({key: value for key, value in json.loads(result.stdout).items() if key not in OURS})
    assert said[0] == said[1]
    assert said[0]["valves"] == 3
    assert sum(sum(row.values()) for row in said[0]["table"].values()) == 3
    assert not store_path().exists()


@pytest.mark.slow
def test_a_mix_of_one_condition_tells_its_verdicts_causes_and_limits(here, tmp_path):
    mix = tmp_path / "mix.toml"
    mix.write_text("models = { cedar-44 = 1 }\nconditions = { seat-leak = { share = 1, severity = [0.8, 1.0] } }\n")
    said = json.loads(rehearse("--valves", "2", "--mix", str(mix), "--json").stdout)
    assert said["table"] == {"seat-leak": {"accept": 0, "reject": 2, "undecided": 0}}
    assert said["causes"] == {"seat-leak": {"seat leak": 2}}
    assert said["misses"] == []
    assert said["rates"]["false_accepts"]["high"] == pytest.approx(1 - 0.025 ** (1 / 2))
    # so gross a leak shows within seconds; the control of the bench without the valve takes most of it
    assert said["bench_seconds_median"] == pytest.approx(32, abs=8)


@pytest.mark.slow
def test_the_limits_of_a_folder_of_one_s_own_and_a_quicker_sequence_are_used(here, tmp_path):
    models = tmp_path / "models"
    models.mkdir()
    text = (demo_folder() / "models" / "alder-24.toml").read_text(encoding="utf-8")
    (models / "alder-24.toml").write_text(text.replace("high = 5\n", "high = 0.001\n"), encoding="utf-8")
    bench = tmp_path / "bench.toml"
    example = CliRunner().invoke(cli, ["bench", "show", "--example"]).stdout
    quick = "[sequence]\nhold_s = 8\nclicks = 3\nvapour_look_s = 0\n"
    assert "[sequence]\n" in example
    bench.write_text(example.replace("[sequence]\n", quick), encoding="utf-8")
    mix = tmp_path / "mix.toml"
    mix.write_text("models = { alder-24 = 1 }\nconditions = { good = { share = 1 } }\n", encoding="utf-8")
    result = rehearse("--valves", "2", "--bench", str(bench), "--models", str(models), "--mix", str(mix), "--json")
    said = json.loads(result.stdout)
    assert said["bench_seconds_median"] < 30
    assert said["table"]["good"]["accept"] == 0
    assert any("Hold leak" in miss["would_have_caught_it"] for miss in said["misses"])


@pytest.mark.slow
def test_the_command_beside_a_miss_runs_the_same_valve_again(here, tmp_path):
    mix = tmp_path / "mix.toml"
    mix.write_text("models = { alder-24 = 1 }\nconditions = { wrong-part = { share = 1, severity = [0.0, 0.4] } }\n")
    said = json.loads(rehearse("--valves", "3", "--mix", str(mix), "--json").stdout)
    assert said["misses"], "no miss among three wrong parts: choose a harder condition for this test"
    miss = said["misses"][0]
    again = json.loads(CliRunner().invoke(cli, [*miss["again"].split()[1:], "--json"]).stdout)
    assert (again["verdict"], again["cause"]) == (miss["verdict"], miss["cause"])
    values = {each["name"]: each["value"] for each in again["characteristics"]}
    assert all(values[each["name"]] == each["value"] for each in miss["characteristics"])


@pytest.mark.slow
def test_people_get_a_table_and_the_misses_one_by_one(here):
    result = rehearse("--valves", "3", "--seed", "7", "--workers", "1")
    assert result.exit_code == 0
    for word in ("true condition", "false accepts", "95 % limits", "Clopper and Pearson", "Bench seconds a valve"):
        assert word in result.stdout
    assert "written into the store" in result.stderr


def test_a_mix_with_names_that_the_bench_does_not_know_is_refused_with_all_of_them(tmp_path):
    mix = tmp_path / "mix.toml"
    mix.write_text("models = { alder-24 = 1 }\nconditions = { rusty = { share = 1 }, mouldy = { share = 1 } }\n")
    result = rehearse("--mix", str(mix), "--json")
    assert result.exit_code == 2
    error = json.loads(result.stdout)["error"]
    assert "rusty" in error
    assert "mouldy" in error


def test_the_example_mix_is_a_mix(tmp_path):
    from benchrig.rehearsal.valve_mix import default_mix, load_mix

    path = tmp_path / "mix.toml"
    path.write_text(rehearse("--example-mix").stdout, encoding="utf-8")
    assert load_mix(path) == default_mix()


@pytest.mark.slow
def test_ctrl_c_ends_with_what_there_is_and_says_that_it_is_partial(tmp_path):
    command = [sys.executable, "-m", "benchrig", "rehearse", "--valves", "5000", "--workers", "1", "--json"]
    out = tmp_path / "out.json"
    with out.open("w") as stdout:
        process = subprocess.Popen(
            command, stdout=stdout, stderr=subprocess.PIPE, text=True, start_new_session=True, cwd=Path.cwd()
        )
        assert process.stderr is not None
        for line in process.stderr:
            if "written into the store" in line:
                break
        os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to every process of it
        rest = process.stderr.read()
        process.stderr.close()
        assert process.wait(timeout=30) == 3
    said = json.loads(out.read_text())
    assert said["complete"] is False
    assert said["valves"] < said["asked"] == 5000
    assert f"partial, {said['valves']} of 5000 valves" in rest
    assert "Traceback" not in rest


def test_a_picture_that_cannot_be_written_is_refused_before_anything_is_rehearsed(tmp_path, monkeypatch):
    monkeypatch.setattr("benchrig.application.rehearsal.rehearse_valves", lambda *_, **__: pytest.fail("rehearsed"))
    picture = tmp_path / "none" / "oc.svg"
    refused = rehearse("--valves", "4", "--operating-characteristic", str(picture), "--json")
    assert refused.exit_code == 2
    assert f"{picture} cannot be written" in json.loads(refused.stdout)["error"]
