"""The store that several benches share, where one is named; and what this bench has not delivered to it yet.

A bench always records into its own store, so that nothing on the network is waited for while a valve is measured and a
server that is away stops nobody. What has ended is delivered after each run, check and calibration, and with it all
that waited.
"""

from __future__ import annotations

import os
from typing import NamedTuple

from benchrig.application.paths import home, store_path
from benchrig.clock import Clock, RealClock
from benchrig.errors import BenchError, ConfigError
from benchrig.records import Store
from benchrig.records.database.place import StorePlace, place_named
from benchrig.records.database.server import StoreAway
from benchrig.records.delivery.delivering import Delivered, Waits, deliver, waits

__all__ = ["Brought", "Deliverer", "shared_place", "store_to_read"]

AGAIN_S = 60.0
"""So long after a server did not answer it is not tried again between the parts of a batch."""


def shared_place() -> StorePlace | None:
    """The shared store that ``BENCHRIG_STORE`` names by a URL, or ``url`` in the workshop's ``store.toml``.

    Raises
    ------
    ConfigError
        It cannot be read.
    """
    named = os.environ.get("BENCHRIG_STORE", "")
    if not named:
        import tomllib

        file = home() / "store.toml"
        if not file.exists():
            return None
        try:
            named = str(tomllib.loads(file.read_text(encoding="utf-8"))["url"])
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, KeyError) as error:
            raise ConfigError(
                f"{file} cannot be read: {error!r}.", hint='It holds one line: url = "postgresql://user@host/database"'
            ) from error
    place = place_named(named, home())
    return place if place.on_server else None


def store_to_read() -> tuple[Store, str]:
    """The store to look into, and why it is not the shared one although one is named; empty where all is well."""
    place = shared_place()
    if place is None:
        return Store(store_path(), reading=True), ""
    try:
        return Store(place, reading=True), ""
    except StoreAway as away:
        return Store(store_path(), reading=True), str(away)


class Brought(NamedTuple):
    """What came of a delivery: what was brought over, what waits still, and why; `why` is empty where all went well."""

    place: StorePlace
    delivered: Delivered
    waits: Waits
    why: str
    hint: str


class Deliverer:
    """Delivers what waits in a bench's own store, as often as it is asked, and never stops the bench.

    Parameters
    ----------
    own : Store
        The bench's own store.
    """

    def __init__(self, own: Store, clock: Clock | None = None) -> None:
        self._own = own
        self._place = shared_place()
        self._clock = RealClock() if clock is None else clock
        self._away_s: float | None = None

    def deliver(self) -> Brought | None:
        """Bring over what waits. None where no shared store is named, or it was away a moment ago."""
        now = self._clock.now()
        if self._place is None or (self._away_s is not None and now - self._away_s < AGAIN_S):
            return None
        done = Delivered()

        def so_far(each: Delivered) -> None:
            nonlocal done
            done = each

        try:
            deliver(self._own, Store(self._place), so_far)
        except BenchError as error:
            self._away_s = self._clock.now()  # an attempt that waits in vain takes its time itself
            return Brought(self._place, done, waits(self._own, self._place), str(error), error.hint)
        self._away_s = None
        return Brought(self._place, done, waits(self._own, self._place), "", "")
