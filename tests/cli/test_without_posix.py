"""The main job where the POSIX modules do not exist, each command in a process of its own (tests/without_posix)."""

from __future__ import annotations

import json
import os
import pkgutil
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

import benchrig
import simulators
from tests.helpers import REPOSITORY

HIDING = REPOSITORY / "tests" / "without_posix"
PATIENCE_S = 240


def environment(folder: Path) -> dict[str, str]:
    return {
        **os.environ,
        "PYTHONPATH": str(HIDING),
        "BENCHRIG_HOME": str(folder),
        "PYTHONUNBUFFERED": "1",
        "USERNAME": "me",  # always set on Windows
        "PYTHONWARNINGS": "ignore:only soft file lock",  # filelock without fcntl; on Windows it has another of its own
    }


def python(folder: Path, *arguments: str, given: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *arguments],
        input=given,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
        env=environment(folder),
        cwd=REPOSITORY,
    )


def document(done: subprocess.CompletedProcess[str]) -> dict[str, object]:
    assert done.stdout, done.stderr
    return json.loads(done.stdout)


def modules_of_the_program() -> list[str]:
    return [
        each.name
        for package in (benchrig, simulators)
        for each in pkgutil.walk_packages(package.__path__, f"{package.__name__}.")
        if not each.name.endswith("__main__") and ".migrations." not in each.name
    ]


@pytest.mark.slow
def test_every_module_of_the_program_can_be_imported(tmp_path):
    tried = (
        "import importlib, sys, traceback\n"
        "bad = []\n"
        "for name in sys.argv[1:]:\n"
        "    try: importlib.import_module(name)\n"
        "    except Exception as error: bad.append(f'{name}: {error!r}')\n"
        "print('\\n'.join(bad))\n"
    )
    done = python(tmp_path, "-c", tried, *modules_of_the_program())
    assert (done.returncode, done.stdout.strip(), done.stderr) == (0, "", "")


@pytest.mark.slow
def test_what_should_be_hidden_is_hidden(tmp_path):
    done = python(tmp_path, "-c", "import os; assert not hasattr(os, 'fork'); import termios")
    assert "hidden, as on Windows" in done.stderr


@pytest.mark.slow
def test_the_demonstration_runs_and_leaves_its_page(tmp_path):
    done = python(tmp_path, "-m", "benchrig", "demo", "--simulated", "seat-leak", "--json")
    assert (done.returncode, document(done)["cause"]) == (1, "seat leak"), done.stderr
    assert list((tmp_path / "pages").glob("run-0001-*.html"))


@pytest.mark.slow
def test_valves_are_rehearsed_on_two_processes(tmp_path):
    done = python(tmp_path, "-m", "benchrig", "rehearse", "--valves", "4", "--seed", "1", "--workers", "2", "--json")
    assert done.returncode == 0, done.stderr
    assert document(done)["valves"] == 4


@contextmanager
def served(folder: Path, condition: str) -> Iterator[Path]:
    """The bench file of simulated instruments that are served meanwhile."""
    command = [sys.executable, "-m", "benchrig", "simulate", "--simulated", condition, "--folder", str(folder)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, env=environment(folder), cwd=REPOSITORY
    ) as process:
        try:
            for line in process.stdout or ():
                if line.startswith("bench file"):
                    break
            yield folder / "bench.toml"
        finally:
            process.terminate()


@pytest.mark.slow
def test_a_valve_is_qualified_over_tcp_with_its_record(tmp_path):
    with served(tmp_path, "good") as bench_file:
        assert re.search(r'^port = "socket://127\.0\.0\.1:\d+"', bench_file.read_text(encoding="utf-8"), re.MULTILINE)
        words = ["--bench", str(bench_file), "--model", "alder-24", "--tag", "T1"]
        done = python(tmp_path, "-m", "benchrig", "qualify", *words, "--json")
    found = document(done)
    assert (done.returncode, found["verdict"]) == (0, "accept"), done.stderr
    listed = python(tmp_path, "-m", "benchrig", "records", "list", "--tag", "T1", "--json")
    assert listed.returncode == 0, listed.stderr
    verified = python(tmp_path, "-m", "benchrig", "records", "verify")
    assert verified.returncode == 0, verified.stdout + verified.stderr
