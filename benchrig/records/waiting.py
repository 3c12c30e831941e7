"""Waiting for other programs that write into the same store, while the board goes on being fed."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass

import sqlalchemy as sa

from benchrig.clock import Clock, RealClock

__all__ = ["PATIENCE_S", "SLICE_S", "Waiting"]

SLICE_S = 0.1
"""So long SQLite itself waits at most before the bench is fed again; the driver's rule is `links.LONGEST_BLOCK_S`."""
PATIENCE_S = 60.0
"""How long another program may hold the store before that is told as an error; a commit takes a few milliseconds."""


@dataclass
class Waiting:
    """Tries again what another program is in the way of.

    Attributes
    ----------
    meanwhile : callable
        Called between two tries: `Bench.feed` while a run is recorded.
    """

    meanwhile: Callable[[], object] = lambda: None
    patience_s: float | None = None
    clock: Clock = RealClock()  # noqa: RUF009 - it has no state

    def until_done(self, attempt: Callable[[], object]) -> None:
        """Call `attempt` until no other program is in its way; after `PATIENCE_S` its error is passed on.

        `attempt` must have done nothing when it raises: beginning a transaction, setting up a connection.
        """
        began = self.clock.now()
        while True:
            try:
                attempt()
            except (sa.exc.OperationalError, sqlite3.OperationalError) as error:
                now = self.clock.now()
                patience_s = PATIENCE_S if self.patience_s is None else self.patience_s
                if not _in_the_way(error) or now - began >= patience_s:
                    raise
                self.meanwhile()
                self.clock.sleep_until(now + SLICE_S / 5)
            else:
                return


def _in_the_way(error: Exception) -> bool:
    said = str(error.orig if isinstance(error, sa.exc.DBAPIError) else error).lower()
    return "locked" in said or "busy" in said
