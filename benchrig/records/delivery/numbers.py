"""Numbers of what was delivered: a store gives its own to what comes from another one, and remembers the other's.

Seals are of the numbers that a run, check or calibration had where it was recorded. `Numbers` goes from these to the
rows here and back, for one chain; for a chain that was written here both are the same.
"""

from __future__ import annotations

from typing import NamedTuple

import sqlalchemy as sa

__all__ = ["SAME", "WRITTEN_HERE", "Numbers", "Recorded", "recorded_as"]

WRITTEN_HERE = "(origin = '' OR origin LIKE 'key %')"
"""SQL: a chain of this store's own."""
_HERE = sa.text("SELECT here FROM delivered WHERE chain = :chain AND kind = :kind AND subject = :number")
_THERE = sa.text("SELECT subject FROM delivered WHERE chain = :chain AND kind = :kind AND here = :number")
_ROWS = sa.text('SELECT "rows" FROM delivered WHERE chain = :chain AND kind = :kind AND subject = :number')
_RECORDED = sa.text(
    "SELECT chain, subject, origin FROM delivered JOIN chains ON chains.id = chain "
    "WHERE kind = :kind AND here = :number"
)


class Numbers:
    """The numbers of one chain.

    Parameters
    ----------
    chain : int or None
        The number of a chain that was delivered; None for one that was written here.
    """

    def __init__(self, connection: sa.Connection | None = None, chain: int | None = None) -> None:
        self._connection = connection
        self._chain = chain

    @property
    def same(self) -> bool:
        """Whether numbers here are those that were sealed."""
        return self._chain is None

    def here(self, kind: str, sealed: int) -> int | None:
        """The row of something by the number that was sealed; None where it is not there."""
        return self._look(_HERE, kind, sealed)

    def sealed(self, kind: str, here: int | None) -> int | None:
        """The number that was sealed of a row."""
        return None if here is None else self._look(_THERE, kind, here)

    def rows(self, kind: str, sealed: int, of_the_seal: str) -> str:
        """The digest that the numbers of its rows must have."""
        if self._chain is None or self._connection is None:
            return of_the_seal
        of = {"chain": self._chain, "kind": "run" if kind == "run end" else kind, "number": sealed}
        return str(self._connection.execute(_ROWS, of).scalar() or "")

    def _look(self, query: sa.TextClause, kind: str, number: int) -> int | None:
        if self._chain is None or self._connection is None:
            return number
        of = {"chain": self._chain, "kind": "run" if kind == "run end" else kind, "number": number}
        found: int | None = self._connection.execute(query, of).scalar()
        return found


SAME = Numbers()


class Recorded(NamedTuple):
    """Where something was recorded: the chain that it is sealed in, its number there, and that store's identity."""

    chain: int
    number: int
    store: str


def recorded_as(connection: sa.Connection, kind: str, here: int) -> Recorded | None:
    """Where a row comes from; None where it was written here."""
    if connection.dialect.name == "sqlite":
        return None  # nothing is delivered into a file
    row = connection.execute(_RECORDED, {"kind": kind, "number": here}).first()
    return None if row is None else Recorded(*row)
