"""The store that benches share, on the terminal: which one is looked into, what was delivered, what waits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from benchrig.application.events import Event, Listener
    from benchrig.application.shared_store import Brought
    from benchrig.records import Store

__all__ = [
    "deliver_after",
    "delivering",
    "name_store",
    "say_brought",
    "say_what_waits",
    "shown_store",
    "store_to_decide",
]


def name_store(_context: click.Context, _option: click.Parameter, given: str | None) -> None:
    """The option `--store`: named for all that this command does."""
    if given is not None:
        import os

        os.environ["BENCHRIG_STORE"] = given


def shown_store() -> Store:
    """The store to look into: the shared one, or the bench's own where that is away, which is said."""
    from benchrig.application.paths import shared_store_named, store_path
    from benchrig.records import Store

    if not shared_store_named():
        return Store(store_path(), reading=True)
    from benchrig.application.shared_store import store_to_read

    store, away = store_to_read()
    if away:
        click.echo(f"{away}\nThis is the bench's own store, {store.place}.", err=True)
    return store


def store_to_decide() -> Store:
    """The store that a decision is written into: the shared one where one is named."""
    from benchrig.application.paths import store_path
    from benchrig.application.shared_store import shared_place
    from benchrig.records import Store

    return Store(shared_place() or store_path())


def delivering(store: Store, tell: Listener) -> Listener:
    """A listener that delivers after each part of a batch, and hands on what it hears."""
    from benchrig.application.events import BatchPartJudged
    from benchrig.application.paths import shared_store_named

    if not shared_store_named():
        return tell
    from benchrig.application.shared_store import Deliverer

    deliverer = Deliverer(store)

    def heard(event: Event) -> None:
        tell(event)
        if isinstance(event, BatchPartJudged):
            say_brought(deliverer.deliver(), only_trouble=True)

    return heard


def deliver_after(store: Store) -> None:
    """Deliver after a run, a check or a calibration where a shared store is named, and say what came of it."""
    from benchrig.application.paths import shared_store_named

    if shared_store_named():
        from benchrig.application.shared_store import Deliverer

        say_brought(Deliverer(store).deliver())


def say_brought(brought: Brought | None, *, only_trouble: bool = False) -> None:
    """Say on stderr what came of a delivery."""
    if brought is None:
        return
    if brought.why:
        left = brought.waits
        click.echo(f"Not delivered: {brought.why}\n  check: {brought.hint}", err=True)
        runs = "1 run waits" if left.runs == 1 else f"{left.runs} runs wait"
        click.echo(
            f"  {runs} here ({left.entries} entries of the seals), nothing is lost: delivered after the next run, or "
            "by 'benchrig records deliver'.",
            err=True,
        )
    elif not only_trouble and brought.delivered.entries:
        count = brought.delivered.runs
        click.echo(f"shared  {brought.place}  {'1 run' if count == 1 else f'{count} runs'} delivered", err=True)


def say_what_waits() -> None:
    """Say on stderr what this bench has not delivered yet to the shared store, where one is named."""
    from benchrig.application.paths import shared_store_named, store_path

    own = store_path()
    if not shared_store_named() or not own.exists():
        return
    from benchrig.application.shared_store import shared_place
    from benchrig.records import Store
    from benchrig.records.delivery.delivering import waits

    place = shared_place()
    if place is None:
        return
    left = waits(Store(own, reading=True), place)
    if left.runs or left.entries > left.going_on:
        of_it = "1 run of this bench waits" if left.runs == 1 else f"{left.runs} runs of this bench wait"
        entries = f"{left.entries} entries of the seals in all"
        click.echo(f"{of_it} for delivery, {entries}: 'benchrig records deliver'.", err=True)
