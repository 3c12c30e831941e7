"""The main job where the POSIX modules do not exist, each command in a process of its own (tests/without_posix)."""

from __future__ import annotations

import json
import os
import pkgutil
import subprocess
import sys
from pathlib import Path

import pytest

import benchrig
import simulators
from tests.helpers import REPOSITORY

HIDING = REPOSITORY / "tests" / "without_posix"
SHORT = "\n[sequence]\nhold_s = 5\nflow_s = 3\nclicks = 3\n"
PATIENCE_S = 240


def environment(folder: Path) -> dict[str, str]:
    return {
        **os.environ,
        "PYTHONPATH": str(HIDING),
        "BENCHRIG_HOME": str(folder),
        "PYTHONUNBUFFERED": "1",
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
