"""`benchrig records archive`, `records backup` and `records restore`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchrig.cli.output import as_json_option, emit, speaks

if TYPE_CHECKING:
    from benchrig.records.verification import StoreChecked

__all__ = ["archive", "backup", "restore"]


@click.command(epilog="Example:  benchrig records archive --before 2026-01-01")
@click.option("--before", metavar="DATE", required=True, help="Traces of runs begun before this day.")
@as_json_option
@speaks
def archive(before: str, as_json: bool) -> None:
    """Move old traces out of the store into Parquet files in the folder 'archive' beside it; results stay.

    Traces are read from there by everything that needs them, and held against what is sealed. Copy the folder where you
    copy the store. May be stopped and begun again at any time, also while runs go on.
    """
    from benchrig.application.archiving import archive_old_traces
    from benchrig.application.paths import store_path
    from benchrig.records import Store
    from benchrig.records.run_list import day_from

    store = Store(store_path())
    done = archive_old_traces(store, day_from(before), lambda runs: click.echo(f"{runs} runs moved", err=True))
    if as_json:
        emit({"folder": str(store.archive_folder), **vars(done)})
        return
    for each in done.left:
        click.echo(each, err=True)
    if not done.files:
        if done.left:
            return
        click.echo(f"Nothing to move: no run begun before {before} has its traces in {store_path()}.", err=True)
        return
    what = f"{done.traces} traces of {done.runs} runs, {done.stored_bytes / 1e6:.1f} MB in the store"
    click.echo(f"{what}, are now in {store.archive_folder}:")
    for name in done.files:
        click.echo(f"  {name}")
    click.echo("The store uses the room again for new runs. Copy the folder where you copy the store.", err=True)


@click.command(epilog="Example:  benchrig records backup /media/stick/records-2026-11-27.sqlite")
@click.argument("file", type=click.Path(path_type=Path))
@as_json_option
@speaks
def backup(file: Path, as_json: bool) -> None:
    """Copy the store into a new file, also while runs go on, and look through the copy: database, seals, heads.

    Never over a file that is there. Exit status 3 when something in the copy is not as it was sealed; it is kept. Of a
    PostgreSQL store pg_dump makes copies.
    """
    from benchrig.application.paths import store_path
    from benchrig.records.backup import back_up

    done = back_up(store_path(), file)
    kept = [f"{each.number}:{each.digest}" for each in done.heads]
    if as_json:
        emit({"file": str(file), "bytes": done.bytes, "runs": done.runs, "heads": kept, **_found(done.checked)})
    else:
        click.echo(f"{file}: {done.runs} runs, {done.bytes / 1e6:.1f} MB")
        for each in done.heads:
            click.echo(f"head    {each.number}:{each.digest[:16]}  {each.title}")
        _say(done.checked)
        click.echo("The folders 'keys' and 'archive' beside the store are not in it: copy them too.", err=True)
    if done.checked.faults:
        sys.exit(3)


@click.command(epilog="Example:  benchrig records restore /media/stick/records-2026-11-27.sqlite")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--yes", is_flag=True, help="Do not ask.")
@as_json_option
@speaks
def restore(file: Path, yes: bool, as_json: bool) -> None:
    """Go on from a copy that 'records backup' made. The store that is there is set aside, and what is newer in it told.

    The copy is looked through first: one that is not as it was sealed is not taken. Numbers go on, none is given twice.
    """
    from benchrig.application.paths import pages_folder, store_path
    from benchrig.errors import ConfigError
    from benchrig.records.backup import restore as go_on_from

    path = store_path()
    if not yes and path.exists():
        if as_json or not sys.stdin.isatty():
            raise ConfigError(
                "A store is replaced only when asked for, and nobody is there to ask.", hint="Say so beforehand: --yes"
            )
        click.confirm(f"Go on from {file} in place of {path}? That is set aside.", abort=True, err=True)
    done = go_on_from(path, file, pages_folder())
    if as_json:
        aside = [str(each) for each in done.aside]
        told = {"store": str(path), "runs": done.runs, "next_run": f"{done.next_run:04d}", "set_aside": aside}
        emit({**told, "newer": done.newer, **_found(done.checked)})
        return
    click.echo(f"{path}: {done.runs} runs; the next one is {done.next_run:04d}.")
    _say(done.checked)
    if done.newer:
        click.echo(f"Newer in the store that was there, and not in this one: {done.newer[0]}.")
        for line in done.newer[1:]:
            click.echo(f"  {line}")
    for each in done.aside:
        click.echo(f"set aside  {each}")


def _say(checked: StoreChecked) -> None:
    for fault in checked.faults:
        click.secho(f"{fault.how.upper()} {fault.what}: {fault.says}", fg="red", err=True)
    for remark in checked.remarks:
        click.secho(remark, fg="yellow", err=True)
    if not checked.faults:
        click.echo("Looked through: the database is whole, all is as it was sealed.")


def _found(checked: StoreChecked) -> dict[str, object]:
    faults = [{"what": each.what, "how": each.how, "says": each.says} for each in checked.faults]
    return {"sealed_as_written": not faults, "faults": faults, "remarks": checked.remarks}
