"""`benchrig models learn`: from stored runs of known-good parts to a model file that waits to be approved."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner, Result

from benchrig.application.paths import store_path
from benchrig.cli import cli
from benchrig.records import Store
from tests.reports.sample_record import ended, started, steps

COIL_U = 0.055  # of the sample record
SPREAD = {
    "coil_resistance_20c_ohm": 0.01,
    "flow_at_rated_vacuum_lpm_anr": 0.03,
    "pull_in_time_ms": 0.03,
    "drop_out_time_ms": 0.03,
    "opening_delay_ms": 0.05,
    "hold_leak_sccm": 0.2,
    "click_spread_ms": 0.2,
}


def measure(parts: int, *, repeats: int = 1, other: int = 0, seed: int = 1) -> None:
    """Put runs of good parts into the store, the last `other` of them with another coil."""
    rng = np.random.default_rng(seed)
    store = Store(store_path())
    for part in range(parts):
        off = {name: 1 + spread * rng.standard_normal() for name, spread in SPREAD.items()}
        if part >= parts - other:
            off["coil_resistance_20c_ohm"] *= 1.3
        for _ in range(repeats):
            found = tuple(
                replace(
                    step,
                    traces=(),
                    characteristics=tuple(
                        replace(each, value=each.value * off.get(each.name, 1.0) * (1 + 0.002 * rng.standard_normal()))
                        if each.value is not None
                        else each
                        for each in step.characteristics
                    ),
                )
                for step in steps("accept")
            )
            recorder = store.recorder()
            recorder.run_started(started(f"GOOD-{part}"))
            for each in found:
                recorder.step_finished(each)
            recorder.run_ended(ended("accept", found))


def run(*arguments: str) -> Result:
    return CliRunner().invoke(cli, ["models", *arguments])


def test_limits_are_learned_shown_and_written_and_wait_to_be_approved(workshop):
    measure(14)
    result = run("learn", "alder-24-ours", "--model", "alder-24", "--content", "0.95", "--json")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert (document["parts"], document["runs"], document["simulated"]) == (14, 14, True)
    text = (workshop / "models" / "alder-24-ours.toml").read_text(encoding="utf-8")
    assert 'approved_by = ""' in text
    assert "learned from 14 good parts" in text
    shown = json.loads(run("show", "alder-24-ours", "--json").stdout)
    coil = next(each for each in shown["limits"] if each["name"] == "coil_resistance_20c_ohm")
    values = [each.value for number in range(1, 15) for step in Store(store_path()).run(f"run:{number}").steps
              for each in step.characteristics if each.name == "coil_resistance_20c_ohm"]  # fmt: skip
    # ISO 16269-6: the exact two-sided factor for 14 parts, 95 % and 95 %, is 3.0235 (computed)
    half = 3.0235 * np.std(values, ddof=1) + 0.83 * 2 * COIL_U  # and the guard band, so that such a part passes
    assert (coil["low"], coil["high"]) == pytest.approx((np.mean(values) - half, np.mean(values) + half), rel=2e-4)
    words = ["qualify", "--model", "alder-24-ours", "--tag", "T", "--simulated", "good", "--json"]
    refused = CliRunner().invoke(cli, words)
    assert refused.exit_code == 2
    assert "nobody has approved" in json.loads(refused.stdout)["error"]


@pytest.mark.slow
def test_an_approved_model_is_tested_by(workshop):
    measure(14)
    run("learn", "alder-24-ours", "--model", "alder-24", "--json")
    file = workshop / "models" / "alder-24-ours.toml"
    file.write_text(
        file.read_text(encoding="utf-8").replace('approved_by = ""', 'approved_by = "R. Counter"'), encoding="utf-8"
    )
    words = ["qualify", "--model", "alder-24-ours", "--tag", "T", "--simulated", "good", "--json"]
    assert json.loads(CliRunner().invoke(cli, words).stdout)["verdict"] in ("accept", "reject", "undecided")


def test_looking_only_writes_nothing_and_tells_what_stored_runs_would_be(workshop):
    measure(12, repeats=2)
    result = run("learn", "alder-24-ours", "--model", "alder-24", "--look-only")
    assert result.exit_code == 0, result.output
    assert "12 parts in 24 runs" in result.output
    assert "By these limits the stored runs of this model: " in result.output
    assert "a part measured again scatters by" in result.output
    assert not list(workshop.rglob("*.toml"))


@pytest.mark.parametrize(
    ("parts", "arguments", "said"),
    [
        (3, ("--model", "alder-24"), "3 parts are too few"),
        (0, ("--model", "alder-24"), "0 parts are too few"),
        (12, ("--model", "alder-24", "--content", "95"), "between 0.5 and 1"),
    ],
)
def test_what_cannot_be_learned_from_is_refused(parts, arguments, said, workshop):
    measure(parts)
    result = run("learn", "alder-24-ours", *arguments, "--json")
    assert result.exit_code == 2
    assert said in json.loads(result.stdout)["error"]
    assert not list(workshop.rglob("*.toml"))


def test_parts_of_two_models_under_one_name_are_told(workshop):
    measure(24, other=8)
    document = json.loads(run("learn", "alder-24-ours", "--model", "alder-24", "--look-only", "--json").stdout)
    coil = next(each for each in document["characteristics"] if each["name"] == "coil_resistance_20c_ohm")
    assert coil["groups"] == [f"GOOD-{number}" for number in range(16, 24)]
    assert "two groups" in coil["why_not"]
    assert "coil_resistance_20c_ohm" not in document["text"]
