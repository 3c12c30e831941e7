"""What several tests share."""

from __future__ import annotations

import os
import shutil

import pytest


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
