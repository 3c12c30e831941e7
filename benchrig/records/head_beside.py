"""How far the store has come, kept in the file beside it after each commit: the one way in which writers do so."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa

from benchrig.records.identity import Head, head_of, keep_beside
from benchrig.records.seals import ChainHead, heads

__all__ = ["head_kept"]


@contextmanager
def head_kept(store: Path) -> Iterator[Callable[[sa.Connection], None]]:
    """Go around a transaction: what the given function is called with, at its end, is kept once it is committed."""
    found: list[tuple[Head | None, list[ChainHead]]] = []
    yield lambda connection: found.append((head_of(connection), heads(connection)))
    for head, sealed in found:
        if head is not None:
            keep_beside(store, head, sealed)
