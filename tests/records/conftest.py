"""What the tests of the store share: each of those that take `place` runs on both engines."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.records.database.place import StorePlace, place_named


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.slow)])
def place(request: pytest.FixtureRequest, workshop: Path) -> StorePlace:
    """Where an empty store may be made: a file, then a schema on a server."""
    if request.param == "sqlite":
        return StorePlace(workshop / "records.sqlite")
    return place_named(request.getfixturevalue("server_url"), workshop)
