"""Old traces out of the bench's own store; what it shares with other benches is delivered to them first."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from benchrig.application.shared_store import Deliverer
from benchrig.errors import ConfigError
from benchrig.records import Store
from benchrig.records.archive.archiving import Archived

__all__ = ["archive_old_traces"]


def archive_old_traces(own: Store, before: datetime, tell: Callable[[int], object] = lambda _: None) -> Archived:
    """Move the traces of runs that were begun before then into archive files; see `archiving.archive_traces`.

    Raises
    ------
    ConfigError
        A shared store is named and not everything is delivered to it: traces would go there without their samples,
        which an archive file keeps on this computer. Or as `archiving.archive_traces` says.
    BenchError
        As there.
    """
    brought = Deliverer(own).deliver()
    if brought is not None and brought.why:
        raise ConfigError(
            f"Nothing was archived: this bench's records have to be in the shared store first. {brought.why}",
            hint=f"{brought.hint}\nThen 'benchrig records deliver', and archive again.",
        )
    return own.archive(before, tell)
