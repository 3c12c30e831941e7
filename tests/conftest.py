"""Every test has a workshop's folder of its own."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from tests.helpers import absent
from tests.postgresql import Cluster, binaries

settings.register_profile("ci", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("night", max_examples=5000, deadline=None)
settings.load_profile("ci")


collect_ignore = ["without_posix"]
"""Its one module hides what Windows lacks from whoever imports it: only ever from programs that a test starts."""


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--bench", default=None, help="bench file of real hardware; runs the tests marked bench")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--bench"):
        return
    left_out = [item for item in items if item.get_closest_marker("bench")]
    for item in left_out:
        items.remove(item)
    if left_out:
        config.hook.pytest_deselected(items=left_out)


@pytest.fixture(autouse=True)
def workshop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A home folder for the test alone; BENCHRIG_HOME points at it."""
    folder = tmp_path / "workshop"
    monkeypatch.setenv("BENCHRIG_HOME", str(folder))
    return folder


@pytest.fixture(scope="session")
def postgresql() -> Iterator[Cluster]:
    """A PostgreSQL server for this process of tests; skips where there is none, or fails if all is required."""
    if binaries() is None:
        absent("PostgreSQL is not installed")
    if importlib.util.find_spec("psycopg") is None:
        absent("psycopg, the driver for PostgreSQL, is not installed")
    with Cluster() as cluster:
        yield cluster


@pytest.fixture
def server_url(postgresql: Cluster) -> str:
    """The URL of an empty schema on that server."""
    return postgresql.new_schema()
