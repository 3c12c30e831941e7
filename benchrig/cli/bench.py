"""`benchrig bench`."""

from __future__ import annotations

from pathlib import Path

import click

from benchrig.cli.said import as_json_option, emit, speaks

__all__ = ["bench"]


@click.group()
def bench() -> None:
    """The bench and its file."""


@bench.command(epilog="Example:  benchrig bench show --example > bench.toml")
@click.option(
    "--bench",
    "bench_file",
    type=click.Path(path_type=Path),
    help="Bench file. Left out: bench.toml in the workshop's folder.",
)
@click.option("--example", is_flag=True, help="Print a complete bench file with comments, to start from.")
@as_json_option
@speaks
def show(bench_file: Path | None, example: bool, as_json: bool) -> None:
    """Show the bench file as it is understood. Nothing is connected or switched."""
    from benchrig.bench.file import load_bench_file
    from benchrig.cli.places import demo_folder, home

    if example:
        text = (demo_folder() / "bench.toml").read_text(encoding="utf-8")
        if as_json:
            emit({"bench_file": text})
        else:
            click.echo(text, nl=False)
        return
    path = bench_file or home() / "bench.toml"
    loaded = load_bench_file(path)
    tables = loaded.file.model_dump()
    if as_json:
        emit({"file": str(path), "sha256": loaded.sha256, **tables})
        return
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, show_header=False)
    for name, keys in tables.items():
        for number, (key, value) in enumerate(keys.items()):
            if value not in (None, ""):
                table.add_row(Text(name if number == 0 else "", style="bold"), key, Text(str(value)))
    console = Console(highlight=False)
    console.print(table)
    click.echo(f"\n{path}   sha256 {loaded.sha256[:16]}", err=True)
