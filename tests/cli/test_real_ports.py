"""The same program over a real pseudo-terminal and a real TCP socket, in real time; and a killed host."""

from __future__ import annotations

import json
import os
import pty
import re
import signal
import subprocess
import sys
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchrig.bench.bench import HOST_SILENT_S
from benchrig.cli import cli
from benchrig.clock import RealClock

SHORT = "[sequence]\nhold_s = 5\nflow_s = 3\nclicks = 3\n"
BENCHRIG = [sys.executable, "-m", "benchrig"]


@contextmanager
def simulate(folder: Path, *options: str) -> Iterator[subprocess.Popen[str]]:
    """The simulated instruments in a process of their own, with a sequence short enough for a test."""
    command = [*BENCHRIG, "simulate", "--folder", str(folder), *options]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"}
    ) as process:
        try:
            for line in process.stdout or ():
                if line.startswith("bench file"):
                    break
            bench = folder / "bench.toml"
            bench.write_text(bench.read_text(encoding="utf-8").replace("[sequence]\n", SHORT), encoding="utf-8")
            yield process
        finally:
            process.terminate()


def qualify(folder: Path, model: str = "alder-24", tag: str = "R-1") -> tuple[int, dict[str, object]]:
    command = ["qualify", "--bench", str(folder / "bench.toml"), "--model", model, "--tag", tag, "--json"]
    result = CliRunner().invoke(cli, command)
    return result.exit_code, json.loads(result.stdout)


@pytest.mark.slow
@pytest.mark.parametrize(("condition", "cause"), [("stuck-open", "stuck open"), ("stuck-closed", "stuck closed")])
def test_over_real_ports_a_valve_gets_the_verdict_that_it_gets_in_memory(tmp_path, condition, cause):
    with simulate(tmp_path, "--condition", condition):
        status, document = qualify(tmp_path)
    assert (status, document["verdict"], document["cause"]) == (1, "reject", cause)
    in_memory = CliRunner().invoke(
        cli, ["qualify", "--simulated", condition, "--model", "alder-24", "--tag", "M-1", "--json"]
    )
    assert json.loads(in_memory.stdout)["cause"] == cause


@pytest.mark.slow
def test_a_killed_host_leaves_the_outputs_off_and_the_finished_steps_in_the_store(tmp_path, workshop):
    clock = RealClock()
    with simulate(tmp_path, "--model", "birch-26") as instruments:
        command = [*BENCHRIG, "qualify", "--bench", str(tmp_path / "bench.toml"), "--model", "birch-26", "--tag", "K-1"]
        host = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        lines = iter(instruments.stdout or ())
        on = next(line for line in lines if "coil" in line and "pump" in line)
        os.kill(host.pid, signal.SIGKILL)
        killed_s = clock.now()
        host.wait()
        off = next(lines)
        took_s = clock.now() - killed_s
        assert "all outputs off" in off
        assert "silent" in off
        # The board's own clock, from the last switch to the trip, cannot tell when the last word came; the host's can.
        assert took_s < HOST_SILENT_S + 0.5
        assert float(re.findall(r"[\d.]+", off)[0]) > float(re.findall(r"[\d.]+", on)[0])
        listed = json.loads(CliRunner().invoke(cli, ["records", "list", "--json"]).stdout)
        assert [(each["run"], each["ending"], each["verdict"]) for each in listed] == [("0001", "aborted", None)]
        cut = json.loads(CliRunner().invoke(cli, ["records", "show", "0001", "--json"]).stdout)
        assert "coil_resistance_20c_ohm" in {each["name"] for each in cut["characteristics"]}
        status, document = qualify(tmp_path, "birch-26", "K-2")
    assert document["run"] == "0002"
    assert (status, document["verdict"]) in ((0, "accept"), (4, "undecided"))
    assert any("before this run" in note for note in document["notes"])


@pytest.mark.slow
def test_ctrl_c_ends_the_run_with_the_outputs_off_and_status_3(tmp_path, workshop):
    with simulate(tmp_path) as instruments:
        command = [
            *BENCHRIG,
            "qualify",
            "--bench",
            str(tmp_path / "bench.toml"),
            "--model",
            "alder-24",
            "--tag",
            "C-1",
            "--json",
        ]
        host = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        lines = iter(instruments.stdout or ())
        next(line for line in lines if "pump" in line)
        host.send_signal(signal.SIGINT)
        said = json.loads(host.communicate(timeout=20)[0])
        assert host.returncode == 3
        assert "Stopped" in said["error"]
        last = next(line for line in lines if "all outputs off" in line)
        assert "tripped" not in last
    shown = json.loads(CliRunner().invoke(cli, ["records", "show", "C-1", "--json"]).stdout)
    assert (shown["ending"], shown["verdict"], shown["error"]) == ("aborted", None, "stopped by the operator")


def bench_file(tmp_path: Path, port: str, address: str) -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(
        f'[bench]\nname = "b"\nsimulated = true\n[board]\nport = "{port}"\n[meter]\naddress = "{address}"\n'
        "[reservoir]\nvolume_l = 0.5\n",
        encoding="utf-8",
    )
    return path


@pytest.mark.slow
def test_a_port_and_a_meter_that_are_not_there_are_both_reported_at_once(tmp_path):
    bench_file(tmp_path, "/dev/ttyNONE9", "TCPIP::127.0.0.1::9::SOCKET")
    status, said = qualify(tmp_path)
    assert status == 3
    assert "2 things are wrong" in str(said["error"])
    assert "/dev/ttyNONE9" in str(said["error"])
    assert "127.0.0.1" in str(said["error"])
    assert said["hint"]


@pytest.mark.slow
def test_a_port_that_is_not_our_board_is_named(tmp_path):
    master, slave = pty.openpty()
    tty.setraw(slave)
    port = os.ttyname(slave)
    try:
        with simulate(tmp_path):
            bench = tmp_path / "bench.toml"
            bench.write_text(bench.read_text(encoding="utf-8").replace(str(tmp_path / "board"), port), encoding="utf-8")
            status, said = qualify(tmp_path)
    finally:
        os.close(master)
        os.close(slave)
    assert status == 3
    assert port in str(said["error"])
    assert "no relay board answered" in str(said["error"]).lower()
    assert said["hint"]


@pytest.mark.slow
def test_another_board_and_another_meter_than_the_bench_files_are_refused(tmp_path):
    with simulate(tmp_path):
        bench = tmp_path / "bench.toml"
        text = bench.read_text(encoding="utf-8")
        bench.write_text(text.replace("BRSIM001", "OTHER123").replace("SIM0001", "SIM9999"), encoding="utf-8")
        status, said = qualify(tmp_path)
    assert status == 3  # who answers is the bench's affair, not the file's
    assert "OTHER123" in str(said["error"])
    assert "SIM9999" in str(said["error"])


@pytest.mark.slow
def test_a_served_bench_with_a_vacuum_tank_says_so_in_its_file_and_lets_down_in_a_second(tmp_path):
    with simulate(tmp_path, "--tank") as instruments:
        assert "[tank]" in (tmp_path / "bench.toml").read_text(encoding="utf-8")
        status, document = qualify(tmp_path)
        lines = iter(instruments.stdout or ())
        joined = next(line for line in lines if "pump isolation vent" in line)
        shut = next(line for line in lines if "outputs on: pump vent" in line)
    assert (status, document.get("verdict")) == (0, "accept"), document
    joined_s, shut_s = (float(re.findall(r"[\d.]+", line)[0]) for line in (joined, shut))
    assert shut_s - joined_s < 3.0  # a pump of 4 L/min alone takes 7 s


def test_a_tank_or_what_is_wrong_with_it_needs_a_simulated_bench_that_has_one(tmp_path):
    said = CliRunner().invoke(cli, ["qualify", "--bench", "b.toml", "--tank", "--model", "alder-24", "--tag", "T"])
    assert (said.exit_code, "[tank]" in said.stderr) == (2, True)
    asked = ["qualify", "--simulated", "good", "--fault", "tank-leak@0", "--model", "alder-24", "--tag", "T"]
    said = CliRunner().invoke(cli, asked)
    assert said.exit_code == 2
    assert "need a bench that has one" in said.stderr
