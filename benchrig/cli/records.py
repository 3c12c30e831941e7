"""`benchrig records`."""

from __future__ import annotations

import click

from benchrig.cli.said import as_json_option, emit, speaks

__all__ = ["records"]


@click.group()
def records() -> None:
    """What was measured, by run and by tag."""


@records.command("list", epilog="Example:  benchrig records list --tag C-1042")
@click.option("--tag", help="Only this part.")
@click.option("--most", type=click.IntRange(1, 100_000), default=50, show_default=True, help="How many, newest first.")
@as_json_option
@speaks
def list_(tag: str | None, most: int, as_json: bool) -> None:
    """List runs, newest first."""
    from benchrig.cli.places import store_path
    from benchrig.records import Store

    found = Store(store_path()).runs(limit=most, tag=tag)
    if as_json:
        emit([summary.document() for summary in found])
        return
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    if not found:
        click.echo(f"No runs in {store_path()}{f' with tag {tag}' if tag else ''}.", err=True)
        return
    table = Table(box=None, pad_edge=False, header_style="dim")
    for heading in ("run", "when", "tag", "model", "verdict", "cause", ""):
        table.add_column(heading, overflow="fold")
    colours = {"accept": "green", "reject": "red", "undecided": "yellow"}
    for summary in found:
        word = summary.verdict or ("no verdict: aborted" if summary.ending == "aborted" else summary.ending)
        table.add_row(
            summary.run,
            f"{summary.started.astimezone():%Y-%m-%d %H:%M}",
            Text(summary.tag),
            Text(summary.model),
            Text(word, style=colours.get(word, "dim")),
            Text(summary.cause or ""),
            Text("simulated" if summary.simulated else "", style="dim"),
        )
    Console(highlight=False).print(table)


@records.command("show", epilog="Example:  benchrig records show 0042 --json")
@click.argument("tag_or_run")
@as_json_option
@speaks
def show(tag_or_run: str, as_json: bool) -> None:
    """Show one run: by its number, or the latest run of a tag."""
    from benchrig.cli.places import pages_folder, store_path
    from benchrig.records import Store, run_document

    record = Store(store_path()).run(tag_or_run)
    if as_json:
        from benchrig.reports import page_path

        page = page_path(record, pages_folder())
        emit(run_document(record, page=str(page) if page.exists() else None))
        return
    from rich.console import Console

    from benchrig.reports.terminal import print_run

    print_run(record, Console(highlight=False))
