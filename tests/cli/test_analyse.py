"""`benchrig analyse` on traces made here by closed forms, written to CSV as a logger would."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from benchrig.cli import cli

BENCH = ["--volume-l", "0.5", "--ambient-kpa", "101.325", "--ambient-c", "20"]


def write(path: Path, header: str, *columns: np.ndarray) -> str:
    np.savetxt(path, np.column_stack(columns), fmt="%.9g", delimiter=",", header=header, comments="")
    return str(path)


def analyse(*arguments: str):
    result = CliRunner().invoke(cli, ["analyse", *arguments, "--json"])
    return result.exit_code, json.loads(result.stdout)


def test_an_inrush_of_a_plain_coil_gives_current_and_resistance_and_no_motion(tmp_path):
    # RL step, closed form: V 12 V, R 24 ohm, L 0.1 H; any circuits text.
    t = np.arange(-0.02, 0.2, 1e-4)
    rise = 0.5 * (1 - np.exp(-t / (0.1 / 24)))
    decay = 0.5 * 1.0583 * np.exp(-(t - 0.12) / (0.1 / 24)) - 0.02917  # freewheel diode 0.7 V
    i = np.where(t < 0, 0.0, np.where(t < 0.12, rise, np.maximum(decay, 0.0)))
    i += np.random.default_rng(1).normal(0, 0.001, len(t))
    status, found = analyse(
        "inrush", write(tmp_path / "i.csv", "time_s,current_a", t, i), "--supply-v", "12", "--off-s", "0.12"
    )
    assert status == 0
    assert found["armature_moved"] is False
    assert found["pull_in_time_ms"] is None
    assert found["steady_current_a"] == pytest.approx(0.5, abs=3 * found["steady_current_a_u"])
    assert found["resistance_ohm"] == pytest.approx(24.0, abs=0.1)


def test_a_hold_gives_the_leak_of_the_rise(tmp_path):
    # 1 sccm lifts 0.5 L at 20 degC by 3.6248 Pa/s (ideal gas).
    t = np.arange(0, 30, 0.01)
    p = 41_325 + 10 * 3.6248 * t + np.random.default_rng(2).normal(0, 12, len(t))
    status, found = analyse("hold", write(tmp_path / "h.csv", "time_s,pressure_pa", t, p), *BENCH)
    assert status == 0
    assert found["hold_leak_sccm"] == pytest.approx(10.0, abs=0.3)
    assert 0 < found["hold_leak_sccm_u"] < 0.3
    assert {"thermal_time_constant_s", "decided_after_s", "notes"} <= found.keys()


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_a_flow_gives_the_conductance_of_an_isothermal_fill(tmp_path, seed):
    # ISO 6358-1 isothermal closed form, C = 0.25 dm3/(s bar), b = 0.3, V = 0.5 L, T = 293.15 K:
    # dr/dt = K f(r), K = C rho0 R sqrt(T0 T)/V; choked: r = r0 + K t; then r = b + (1-b) sin(K (t - tb)/(1-b)).
    k = 0.25e-8 * 1.185 * 287.05 * 293.15 / 0.5e-3
    b, r0, delay = 0.3, 41.325 / 101.325, 0.012
    t = np.arange(-0.2, 6, 5e-4)
    start = np.arcsin((r0 - b) / (1 - b))
    r = b + (1 - b) * np.sin(np.minimum(start + k * np.maximum(t - delay, 0) / (1 - b), np.pi / 2))
    p = 101_325 * r + np.random.default_rng(seed).normal(0, 12, len(t))
    path = write(tmp_path / "f.csv", "time_s,pressure_pa", t, p)
    status, found = analyse("flow", path, *BENCH, "--time-constant-s", "0.005", "--response-ms", "0.1")
    assert status == 0
    assert found["sonic_conductance_dm3_s_bar"] == pytest.approx(0.25, rel=0.02)
    assert found["opening_delay_ms"] == pytest.approx(12, abs=2 * found["opening_delay_ms_u"])
    assert found["opening_delay_ms_u"] < 3
    assert {"critical_pressure_ratio", "flow_at_rated_vacuum_lpm_anr"} <= found.keys()


@pytest.mark.parametrize(
    ("kind", "header", "said"),
    [("inrush", "time_s,amps", "current_a"), ("hold", "time_s,p", "pressure_pa"), ("flow", "t,pressure_pa", "time_s")],
)
def test_a_missing_column_is_a_clear_message_with_status_2(tmp_path, kind, header, said):
    path = write(tmp_path / "x.csv", header, np.arange(30.0), np.arange(30.0))
    status, found = analyse(kind, path, *(BENCH if kind != "inrush" else []))
    assert status == 2
    assert said in found["error"]
    assert "line 1" in found["error"]


def test_gauge_pressure_is_recognised_and_never_analysed(tmp_path):
    t = np.arange(0, 30, 0.01)
    status, found = analyse("hold", write(tmp_path / "g.csv", "time_s,pressure_pa", t, -60_000 + 10 * t), *BENCH)
    assert status == 2
    assert "gauge" in found["hint"]


def test_without_json_a_person_gets_a_table(tmp_path):
    t = np.arange(0, 30, 0.01)
    path = write(tmp_path / "h.csv", "time_s,pressure_pa", t, 41_325 + 36.248 * t + np.sin(t))
    result = CliRunner().invoke(cli, ["analyse", "hold", path, *BENCH])
    assert result.exit_code == 0
    assert "Hold leak" in result.stdout


def test_what_may_be_typed_is_said_in_words():
    for words in (["analyse", "inrush", "--help"], ["analyse", "hold", "--help"], ["analyse", "flow", "--help"]):
        assert "None" not in CliRunner().invoke(cli, words).output
    refused = CliRunner().invoke(cli, ["analyse", "hold", "x.csv", "--volume-l", "-1"])
    assert "over 0 to 1000" in " ".join(refused.output.split())
