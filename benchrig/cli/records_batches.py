"""`benchrig records batches`."""

from __future__ import annotations

import click

from benchrig.cli.output import as_json_option, emit, plain_console, speaks
from benchrig.cli.shared_store import shown_store

__all__ = ["batches"]


@click.command(epilog="Example:  benchrig records batches --most 5")
@click.option("--most", type=click.IntRange(1, 100_000), default=20, show_default=True, help="How many, newest first.")
@as_json_option
@speaks
def batches(most: int, as_json: bool) -> None:
    """List the batches in the store, newest first: what came of each, and bench seconds for each valve."""
    from benchrig.records import run_list

    store = shown_store()
    with store.reading() as connection:
        found = run_list.batches(connection, most)
    if as_json:
        emit([{**each._asdict(), "first": each.first.isoformat(), "last": each.last.isoformat()} for each in found])
        return
    if not found:
        click.echo(f"No batches in {store.place}: 'benchrig qualify --batch' makes one.", err=True)
        return
    from rich.table import Table
    from rich.text import Text

    from benchrig.reports.formatting import visible

    table = Table(box=None, pad_edge=False, header_style="dim")
    table.add_column("batch", overflow="fold")
    table.add_column("last run", no_wrap=True)
    for heading in ("parts", "accept", "reject", "undecided", "s each"):
        table.add_column(heading, justify="right", overflow="fold")
    for each in found:
        seconds = "" if each.bench_seconds is None else f"{each.bench_seconds / each.parts:.1f}"
        counts = (each.parts, each.accepted, each.rejected, each.undecided)
        when = f"{each.last.astimezone():%Y-%m-%d %H:%M}"
        table.add_row(Text(visible(each.name)), when, *(str(count) for count in counts), seconds)
    plain_console().print(table)
