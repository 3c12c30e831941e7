"""What is to be done to many entries, whoever does it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

__all__ = ["LONGEST_S", "LOOK_S", "Work"]

S = TypeVar("S")
E = TypeVar("E")
R = TypeVar("R")
LONGEST_S = 120.0
"""Wall time after which an entry is taken to hang: hundreds of times what one takes."""
LOOK_S = 0.25
"""How often the screen is refreshed while nothing happens."""


@dataclass(frozen=True)
class Work(Generic[S, E, R]):
    """Entries, and what is done to each.

    Attributes
    ----------
    setting, entries : object, sequence
        What they share, and what is to be done.
    task : callable
        Does one, from the setting and the entry; importable by name, since each worker is an interpreter of its own.
    lost : callable
        From an entry whose worker died or hung, and what became of it, to a result.
    fetch : callable or None
        From an entry to what `task` is given in its place, where that lies on this computer: a worker of this computer
        fetches for itself, to one elsewhere only what was fetched is sent. Importable by name, or a partial of such.
    """

    setting: S
    entries: Sequence[E]
    task: Callable[[S, Any], R]
    lost: Callable[[E, str], R]
    fetch: Callable[[E], Any] | None = None

    def fetched(self, entry: E) -> Any:
        """What `task` is given for an entry."""
        return entry if self.fetch is None else self.fetch(entry)

    def done(self, entry: E) -> R:
        """One entry done here."""
        return self.task(self.setting, self.fetched(entry))
