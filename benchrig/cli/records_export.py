"""`benchrig records export`."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchrig.cli.output import as_json_option, emit, speaks
from benchrig.cli.run_choice import runs_wanted, which_runs
from benchrig.cli.shared_store import shown_store

if TYPE_CHECKING:
    from benchrig.records import RunRecord

__all__ = ["export"]


@click.command(epilog="Example:  benchrig records export rejects.csv --verdict reject --from 2026-11-01")
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option("--format", "named", type=click.Choice(["csv", "json", "parquet"]), help="Default: by the file's ending.")
@click.option("--traces", is_flag=True, help="The traces too, in a second file: NAME-traces.")
@click.option("--schema", is_flag=True, help="Print what the columns are, and write nothing.")
@which_runs
@as_json_option
@speaks
def export(file: Path | None, named: str | None, traces: bool, schema: bool, as_json: bool, **which: Any) -> None:
    """Write runs into a file for other programs: CSV, JSON or Parquet, a row for each characteristic.

    Numbers are exactly those of the store. A file that is there is never written over.
    """
    from benchrig.records.export_files import SCHEMA, format_of, new_file, write_rows
    from benchrig.records.export_rows import (
        CHARACTERISTICS,
        TRACES,
        characteristic_rows,
        schema_text,
        trace_rows,
    )

    if schema:
        if as_json:
            told = {"characteristics": CHARACTERISTICS, "traces": TRACES}
            emit({"schema": SCHEMA, **{name: [each._asdict() for each in columns] for name, columns in told.items()}})
        else:
            click.echo(schema_text(), nl=False)
        return
    if file is None:
        raise click.UsageError("Say into which file: NAME.csv, NAME.json or NAME.parquet.")
    kind = format_of(file, named)
    store = shown_store()
    numbers = store.numbers(runs_wanted(store, **which))
    beside = file.with_name(f"{file.stem}-traces{file.suffix}")
    written: dict[str, Any] = {"runs": len(numbers), "file": str(file)}
    with new_file(file) as part:
        rows = (row for record in store.read(numbers, traces=False) for row in characteristic_rows(record))
        written["rows"] = write_rows(part, kind, CHARACTERISTICS, rows)
        if traces:
            with new_file(beside) as traced:
                samples = (row for record in _told(store.read(numbers, traces=True)) for row in trace_rows(record))
                written |= {"traces": str(beside), "samples": write_rows(traced, kind, TRACES, samples)}
    if as_json:
        emit(written)
        return
    click.echo(f"{file}: {written['rows']} rows of {len(numbers)} runs")
    if traces:
        click.echo(f"{beside}: {written['samples']} rows")
    click.echo("'benchrig records export --schema' says what the columns are.", err=True)


def _told(records: Iterator[RunRecord]) -> Iterator[RunRecord]:
    """The same; says which of them have traces that could not be read."""
    for record in records:
        if record.away is not None and record.away.why_not:
            click.echo(f"Run {record.run} is exported without traces: {record.away.why_not}.", err=True)
        yield record
