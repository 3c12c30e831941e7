"""A small version of `tests/benchmarks/batch_kills.py`: programs and servers that are killed at random instants."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys

import pytest

from tests.helpers import REPOSITORY, absent
from tests.postgresql import binaries

pytestmark = pytest.mark.slow


def killed(*options: str) -> str:
    command = [sys.executable, "-m", "tests.benchmarks.batch_kills", *options]
    done = subprocess.run(command, cwd=REPOSITORY, capture_output=True, text=True, timeout=600, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def need_server() -> None:
    if binaries() is None or importlib.util.find_spec("psycopg") is None:
        absent("PostgreSQL or its driver is not installed")


def test_what_a_killed_batch_had_told_is_recorded_and_no_half_run_looks_whole() -> None:
    said = killed("--kills", "12", "--seed", "5")
    assert re.search(r"12 kills \(program 12\), .*cut off [1-9].* 0 faults", said), said


def test_the_same_on_a_server_that_is_killed_as_well() -> None:
    need_server()
    said = killed("--kills", "6", "--seed", "5", "--postgresql")
    assert re.search(r"6 kills \(.*\), .*cut off [1-9].* 0 faults", said), said


def test_what_a_killed_bench_delivers_to_a_killed_server_is_there_once_and_in_order() -> None:
    need_server()
    said = killed("--kills", "6", "--seed", "5", "--delivery")
    assert re.search(r"6 kills \(.*\), [1-9]\d* runs .* 0 faults", said), said
