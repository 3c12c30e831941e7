"""`benchrig report`."""

from __future__ import annotations

from pathlib import Path

import click

from benchrig.cli.said import as_json_option, emit, speaks

__all__ = ["report"]


@click.command(epilog="Example:  benchrig report C-1042 --folder /media/stick")
@click.argument("tag_or_run")
@click.option(
    "--folder", type=click.Path(path_type=Path), help="Where to write. Left out: pages in the workshop's folder."
)
@as_json_option
@speaks
def report(tag_or_run: str, folder: Path | None, as_json: bool) -> None:
    """Make page and label of a run from its record: by run number, or the latest run of a tag."""
    from benchrig.cli.places import pages_folder, store_path
    from benchrig.errors import ConfigError
    from benchrig.records import Store
    from benchrig.reports import write_label, write_page

    record = Store(store_path()).run(tag_or_run)
    where = folder or pages_folder()
    try:
        page, label = write_page(record, where), write_label(record, where)
    except OSError as error:
        raise ConfigError(
            f"The page cannot be written into {where} ({error.strerror or error}).",
            hint="Check the folder and the free space.",
        ) from error
    if as_json:
        emit({"run": record.run, "tag": record.intake.tag, "page": str(page), "label": str(label)})
    else:
        click.echo(f"page    {page}\nlabel   {label}")
