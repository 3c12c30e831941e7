"""`benchrig records deliver`."""

from __future__ import annotations

import sys

import click

from benchrig.cli.output import as_json_option, emit, speaks

__all__ = ["deliver"]


@click.command("deliver", epilog="Example:  benchrig --store postgresql://bench@records.local/valves records deliver")
@as_json_option
@speaks
def deliver(as_json: bool) -> None:
    """Bring to the shared store what this bench has recorded: once, whole, in order. Needed only after an absence.

    It is done by itself after each run, check and calibration. Exit status 3 where something waits still.
    """
    from benchrig.application.paths import store_path
    from benchrig.application.shared_store import Deliverer
    from benchrig.cli.shared_store import say_brought
    from benchrig.errors import ConfigError
    from benchrig.records import Store

    brought = Deliverer(Store(store_path())).deliver()
    if brought is None:
        raise ConfigError(
            "No shared store is named, so there is nowhere to deliver to.",
            hint="--store URL before the command, BENCHRIG_STORE, or store.toml in the workshop's folder.",
        )
    if as_json:
        emit(
            {
                "store": str(brought.place),
                "runs": brought.delivered.runs,
                "entries": brought.delivered.entries,
                "runs_waiting": brought.waits.runs,
                "runs_going_on": brought.waits.going_on,
                "error": brought.why or None,
                "hint": brought.hint or None,
            }
        )
    elif not brought.why and not brought.delivered.entries:
        click.echo(f"Nothing waits: {brought.place} has all of it.")
    else:
        say_brought(brought)
    sys.exit(3 if brought.why else 0)
