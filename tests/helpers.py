"""What several tests share."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

REPOSITORY = Path(__file__).parents[1]


def need_program(name: str) -> str:
    """The path of a program that a test cannot do without; skips, or fails where everything is required."""
    found = shutil.which(name)
    if found is None:
        absent(f"{name} is not installed")
    assert found is not None
    return found


def absent(why: str) -> None:
    """Skip with the reason; under BENCHRIG_REQUIRE_ALL=1 a missing tool is a failure."""
    if os.environ.get("BENCHRIG_REQUIRE_ALL") == "1":
        pytest.fail(f"{why}, and BENCHRIG_REQUIRE_ALL=1 demands it", pytrace=False)
    pytest.skip(why)


def page_file(folder: Path, run: str, what: str = "") -> Path:
    """The page of a run in a folder; `what` is ``-label`` for its label, ``-label.other-1`` for one set aside."""
    (found,) = (
        each for each in folder.glob(f"run-{run}-*.html") if re.search(rf"-[0-9a-f]{{8}}{what}\.html$", each.name)
    )
    return found


def on_micropython(script: Path) -> Any:
    """What a script beside the tests prints as JSON when MicroPython's build for node runs it."""
    folder = os.environ.get("BENCHRIG_MICROPYTHON")
    if not folder:
        absent("BENCHRIG_MICROPYTHON does not name the folder of MicroPython for node")
    command = [need_program("node"), str(script), folder, str(REPOSITORY)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return json.loads(done.stdout)
