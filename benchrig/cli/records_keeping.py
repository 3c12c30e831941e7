"""`benchrig records archive`, `records backup` and `records restore`."""

from __future__ import annotations

import click

from benchrig.cli.output import as_json_option, emit, speaks

__all__ = ["archive"]


@click.command(epilog="Example:  benchrig records archive --before 2026-01-01")
@click.option("--before", metavar="DATE", required=True, help="Traces of runs begun before this day.")
@as_json_option
@speaks
def archive(before: str, as_json: bool) -> None:
    """Move old traces out of the store into Parquet files in the folder 'archive' beside it; results stay.

    Traces are read from there by everything that needs them, and held against what is sealed. Copy the folder where you
    copy the store. May be stopped and begun again at any time, also while runs go on.
    """
    from benchrig.application.paths import store_path
    from benchrig.records import Store
    from benchrig.records.run_list import day_from

    store = Store(store_path())
    done = store.archive(day_from(before), lambda runs: click.echo(f"{runs} runs moved", err=True))
    if as_json:
        emit({"folder": str(store.archive_folder), **vars(done)})
        return
    for each in done.left:
        click.echo(each, err=True)
    if not done.files:
        click.echo(f"Nothing to move: no run begun before {before} has its traces in {store_path()}.", err=True)
        return
    what = f"{done.traces} traces of {done.runs} runs, {done.stored_bytes / 1e6:.1f} MB in the store"
    click.echo(f"{what}, are now in {store.archive_folder}:")
    for name in done.files:
        click.echo(f"  {name}")
    click.echo("The store uses the room again for new runs. Copy the folder where you copy the store.", err=True)
