"""One small cluster for all tests that leave it as it is."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.workers.small_cluster import SmallCluster, small_cluster


@pytest.fixture(scope="session")
def two(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SmallCluster]:
    """Two workers of three threads each."""
    with small_cluster(tmp_path_factory.mktemp("cluster"), threads=3) as made:
        yield made
