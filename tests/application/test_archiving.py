"""Nothing is archived that a shared store still waits for: its samples would stay on this computer."""

from __future__ import annotations

from datetime import timedelta

import pytest

from benchrig.application import archiving
from benchrig.application.archiving import archive_old_traces
from benchrig.application.paths import store_path
from benchrig.application.shared_store import Brought
from benchrig.errors import ConfigError
from benchrig.records import Store
from benchrig.records.archive.archiving import Archived
from benchrig.records.database.place import place_named
from benchrig.records.delivery.delivering import Delivered, Waits, waits
from tests.reports.sample_record import STARTED

LATER = STARTED + timedelta(days=1)


def told(store: Store, why: str) -> Brought:
    place = place_named("postgresql://clerk@records.local/valves", store_path().parent)
    left: Waits = waits(store, place)
    return Brought(place, Delivered(), left, why, "Is the server on?")


@pytest.mark.parametrize("why", ["", "the server did not answer"])
def test_only_what_was_delivered_is_archived(why: str, monkeypatch: pytest.MonkeyPatch) -> None:
    store = Store(store_path())
    asked = []
    monkeypatch.setattr(Store, "archive", lambda self, before, tell: asked.append(before) or Archived())
    monkeypatch.setattr(archiving.Deliverer, "deliver", lambda self: told(store, why))
    if why:
        with pytest.raises(ConfigError, match="the server did not answer"):
            archive_old_traces(store, LATER)
    else:
        archive_old_traces(store, LATER)
    assert asked == ([] if why else [LATER])


def test_without_a_shared_store_nothing_is_delivered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Store, "archive", lambda self, before, tell: Archived(runs=3))
    assert archive_old_traces(Store(store_path()), LATER).runs == 3
