"""What the shell is told of each ending: the whole command, with short steps and one limit moved across the value."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchrig.application import paths
from benchrig.cli import cli
from benchrig.sequencer.steps import flow as flow_step
from simulators import entry
from tests.sequencer.short_runs import canned_flow

SHORT = "[sequence]\nhold_s = 5\nflow_s = 3\nclicks = 3\ncoil_readings = 2\n"
MODEL = """
model = "alder-24"
title = "Alder 24 with one limit"
normally = "closed"
fictional = true
coil_limit_s = 120
rated_vacuum_kpa = 30
hold_vacuum_kpa = 60
guard_band = "U"
[[limit]]
name = "coil_resistance_20c_ohm"
high = {high}
limit_from = "made up for this test"
"""


def qualify(folder: Path, monkeypatch, high: float, *more: str):
    """The coil of the simulated valve measures 24.50 ± 0.21 ohm; `high` is the most allowed."""
    (folder / "models").mkdir()
    (folder / "models" / "alder-24.toml").write_text(MODEL.format(high=high), encoding="utf-8")
    monkeypatch.setattr(paths, "model_folders", lambda: (folder / "models",))
    monkeypatch.setattr(flow_step, "analyse_flow", canned_flow)
    demo = entry.demo_bench_toml()
    monkeypatch.setattr(entry, "demo_bench_toml", lambda: demo.replace("[sequence]\n", SHORT))
    result = CliRunner().invoke(
        cli, ["qualify", "--model", "alder-24", "--tag", "E-1", "--simulated", "good", "--json", *more]
    )
    return result.exit_code, json.loads(result.stdout)


@pytest.mark.parametrize(
    ("high", "verdict", "wanted"),
    [(27.0, "accept", 0), (24.55, "undecided", 4), (24.45, "undecided", 4), (24.0, "reject", 1)],
)
def test_accept_is_0_reject_is_1_and_undecided_is_4(tmp_path, monkeypatch, high, verdict, wanted):
    status, document = qualify(tmp_path, monkeypatch, high)
    assert (document["verdict"], status) == (verdict, wanted)


@pytest.mark.parametrize(
    ("more", "wanted"),
    [
        (("--fault", "estop@1.0"), 3),
        (("--fault", "unplug@1.0"), 3),
        (("--tag", " "), 2),
        (("--fault", "nonsense@1"), 2),
    ],
)
def test_a_bench_fault_is_3_and_a_wrong_option_is_2_and_neither_has_a_verdict(tmp_path, monkeypatch, more, wanted):
    status, document = qualify(tmp_path, monkeypatch, 27.0, *more)
    assert status == wanted
    assert "verdict" not in document
    assert document["error"]
    assert document["hint"]
