"""The README's own lines, run as they stand."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

README = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")


def block(heading: str) -> list[str]:
    """The lines of the first code block under a heading."""
    section = README.split(f"## {heading}\n", 1)[1].split("\n## ", 1)[0]
    found = re.search(r"```\n(.*?)```", section, re.DOTALL)
    assert found is not None
    return found.group(1).splitlines()


@pytest.fixture
def environment(tmp_path: Path) -> dict[str, str]:
    here = str(Path(sys.executable).parent)
    return {
        **os.environ,
        "PATH": f"{here}:{os.environ['PATH']}",
        "BENCHRIG_HOME": str(tmp_path),
        "PYTHONUNBUFFERED": "1",
    }


@pytest.mark.slow
def test_the_example_over_real_ports_reaches_its_verdict(environment: dict[str, str], tmp_path: Path) -> None:
    serving, qualifying = block("Without hardware, over real ports")
    with subprocess.Popen(["bash", "-c", f"exec {serving}"], env=environment, stdout=subprocess.PIPE, text=True) as rig:
        try:
            assert any(line.startswith("bench file") for line in rig.stdout or ())
            done = subprocess.run(
                ["bash", "-c", qualifying],
                env=environment,
                capture_output=True,
                text=True,
                stdin=subprocess.DEVNULL,
                timeout=150,
            )
        finally:
            rig.terminate()
    assert done.returncode == 1, done.stderr
    assert "stuck closed" in done.stdout
    assert "controlled: without the valve air comes in freely" in done.stdout


@pytest.mark.slow
def test_each_command_that_needs_no_bench_of_ones_own_does_what_the_readme_says(
    environment: dict[str, str], tmp_path: Path
) -> None:
    def run(command: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            ["bash", "-c", command], env=environment, capture_output=True, text=True, cwd=tmp_path, timeout=120
        )

    assert run("benchrig demo --condition seat-leak").returncode == 1
    for line in block("A real part on your own bench"):
        command = line.partition("#")[0].strip()
        if command.startswith("benchrig qualify"):
            command = re.sub(r"--bench \S+ --model MODEL", "--simulated good --model alder-24", command)
        done = run(command)
        assert done.returncode == 0, (command, done.stderr)
    document = json.loads(run("benchrig records list --json").stdout)
    assert [each["tag"] for each in document] == ["C-1042", "DEMO-1"]
