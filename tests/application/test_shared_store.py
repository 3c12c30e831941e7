"""What a bench has not delivered to the store that several share."""

from __future__ import annotations

import pytest

from benchrig.application import shared_store
from benchrig.application.paths import shared_store_named, store_path
from benchrig.application.shared_store import AGAIN_S, Deliverer
from benchrig.errors import BenchError
from benchrig.records import Store
from tests.reports.sample_record import record_into


class ClockByHand:
    """Stands where it is put."""

    def __init__(self) -> None:
        self.at = 0.0

    def now(self) -> float:
        return self.at

    def sleep_until(self, at: float) -> None:
        self.at = max(self.at, at)


def test_a_server_that_lets_wait_is_not_tried_again_for_a_minute_after_it_was_given_up(monkeypatch):
    monkeypatch.setenv("BENCHRIG_STORE", "postgresql://clerk@127.0.0.1:1/valves")
    clock, tried = ClockByHand(), []

    def waits_in_vain(*_: object) -> None:
        tried.append(clock.at)
        clock.at += 45.0
        raise BenchError("no answer", hint="look")

    monkeypatch.setattr(shared_store, "Store", lambda *_, **__: None)
    monkeypatch.setattr(shared_store, "deliver", waits_in_vain)
    own = Store(store_path())
    record_into(own.recorder(), "accept", tag="T")
    deliverer = Deliverer(own, clock)
    brought = deliverer.deliver()
    assert brought is not None
    assert (brought.why, brought.waits.runs) == ("no answer", 1)
    clock.at = 45.0 + AGAIN_S - 1.0
    assert deliverer.deliver() is None
    clock.at = 45.0 + AGAIN_S + 1.0
    assert deliverer.deliver() is not None
    assert tried == [0.0, 45.0 + AGAIN_S + 1.0]


@pytest.mark.parametrize(
    ("named", "is_one"),
    [
        ("postgresql://clerk@there/valves", True),
        (" postgresql://x/y", True),
        ("sqlite:///tmp/a", False),
        ("/tmp/a", False),
    ],
)
def test_a_store_on_a_server_is_told_from_a_file_by_its_name(named, is_one, monkeypatch):
    monkeypatch.setenv("BENCHRIG_STORE", named)
    assert shared_store_named() is is_one
    assert (shared_store.shared_place() is not None) is is_one
