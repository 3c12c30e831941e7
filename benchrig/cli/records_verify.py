"""`benchrig records verify`, `records head` and `records key`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchrig.cli.output import as_json_option, emit, plain_console, speaks
from benchrig.cli.shared_store import shown_store

if TYPE_CHECKING:
    from benchrig.records import Store
    from benchrig.records.verification import StoreChecked

__all__ = ["head", "key", "verify"]


@click.command(epilog="Example:  benchrig records verify --head 42:9f3c5a17e2b04d68")
@click.option(
    "--head", "kept", multiple=True, metavar="N:DIGEST", help="A head that was kept elsewhere; may be repeated."
)
@click.option(
    "--key", "trusted", multiple=True, metavar="KEY", help="A bench's key, its name or public half, from elsewhere."
)
@click.option("--code", metavar="TEXT", help="Only the page or label whose square code was scanned.")
@click.option("--pages", "folder", type=click.Path(path_type=Path), help="Folder of pages. Default: the workshop's.")
@as_json_option
@speaks
def verify(
    kept: tuple[str, ...], trusted: tuple[str, ...], code: str | None, folder: Path | None, as_json: bool
) -> None:
    """Hold runs, checks, calibrations, withdrawals and decisions against their seals, pages and labels against them.

    Names what was changed, removed, added, swapped or reordered. What was cut off at the very end shows against the
    file beside the store, or against a head that was kept: each page and label carries one. Exit status 3 when
    something is not as it was sealed. With --code: whether a page or a label is of the record, and what came since.
    """
    from benchrig.application.paths import pages_folder
    from benchrig.records.verification import read_head

    heads = [read_head(each) for each in kept]
    store = shown_store()
    if code is not None:
        _verify_code(store, code, as_json=as_json)
        return
    found = store.verify(heads, trusted)
    found.counts["page"], wrong = store.check_pages(folder or pages_folder())
    found.faults += wrong
    if as_json:
        emit(_document(found))
    else:
        _say(found)
    if found.faults:
        sys.exit(3)


def _verify_code(store: Store, text: str, *, as_json: bool) -> None:
    """Of one page or label: whether it fits its record, and is out of date."""
    from rich.text import Text

    from benchrig.records.code_check import check_code
    from benchrig.reports.formatting import visible

    found = check_code(store, text)
    record = found.record
    if as_json:
        emit(found.document())
    else:
        console = plain_console()
        word = (record.verdict or record.ending).upper()
        of = f"{word}   {record.tag}   {record.intake.model}, run {record.run}, {record.started.astimezone():%Y-%m-%d}"
        console.print(Text(visible(of), style="bold"))
        for fault in found.faults:
            console.print(Text(visible(f"{fault.how.upper():<9} {fault.what}: {fault.says}"), style="red"))
        for each in found.newer:
            console.print(Text(visible(f"SINCE     {each.at.astimezone():%Y-%m-%d}: {each.says}"), style="yellow"))
        if found.faults:
            console.print(Text("Do not rely on it.", style="bold red"))
        elif found.newer:
            says = f"It is of this record and out of date: 'benchrig report run:{record.run}' makes it anew."
            console.print(Text(says, style="bold yellow"))
        elif not found.says_how_new:
            console.print(Text("It is of this record, which is as it was sealed. It does not say how new it is."))
        else:
            says = "It is of this record, which is as it was sealed, and nothing came since."
            console.print(Text(says, style="green"))
    if found.faults:
        sys.exit(3)


def _document(found: StoreChecked) -> dict[str, object]:
    return {
        "sealed_as_written": not found.faults,
        "faults": [{"what": each.what, "how": each.how, "says": each.says} for each in found.faults],
        "remarks": found.remarks,
        "chains": [
            {
                "bench": each.title,
                "entries": each.entries,
                "head": None if each.head is None else f"{each.head.number}:{each.head.digest}",
                "keys": list(each.keys),
                "keys_not_known_here": list(each.strangers),
            }
            for each in found.chains
        ],
        "counts": found.counts,
    }


def _say(found: StoreChecked) -> None:
    from rich.text import Text

    console = plain_console()
    for fault in found.faults:
        console.print(Text(f"{fault.how.upper():<9} {fault.what}: {fault.says}", style="red"))
    for chain in found.chains:
        head = "" if chain.head is None else f", head {chain.head.number}:{chain.head.digest[:16]}"
        console.print(Text(f"{chain.title}: {chain.entries} entries{head}"))
    counted = [
        f"{found.counts.get(kind, 0)} {name}"
        for kind, name in (
            ("run", "runs"),
            ("check", "checks"),
            ("calibration", "calibrations"),
            ("withdrawal", "withdrawals"),
            ("decision", "decisions"),
            ("page", "pages and labels"),
        )
    ]
    console.print(Text(f"Held against their seals: {', '.join(counted)}."))
    if found.counts.get("in archive files"):
        says = f"The traces of {found.counts['in archive files']} runs in archive files are those that were recorded."
        console.print(Text(says))
    if found.counts.get("not sealed then"):
        says = f"{found.counts['not sealed then']} runs are older than the seals: held against their own digests only."
        console.print(Text(says, style="yellow"))
    for remark in found.remarks:
        console.print(Text(remark, style="yellow"))
    if found.faults:
        count = len(found.faults)
        console.print(Text(f"{count} {'thing is' if count == 1 else 'things are'} not as sealed.", style="bold red"))
    else:
        console.print(Text("All is as it was sealed.", style="green"))


@click.command(epilog="Example:  benchrig records head >> /media/stick/heads.txt")
@as_json_option
@speaks
def head(as_json: bool) -> None:
    """Print how far the seals of each bench have come: keep it where the store is not.

    'benchrig records verify --head' holds the store against it later: all that was sealed up to it has to be there.
    """
    from benchrig.application.paths import store_path

    found = shown_store().heads()
    if as_json:
        emit(
            [
                {
                    "bench": each.title,
                    "entry": each.number,
                    "digest": each.digest,
                    "head": f"{each.number}:{each.digest}",
                }
                for each in found
            ]
        )
        return
    if not found:
        click.echo(f"Nothing in {store_path()} is sealed yet.", err=True)
    for each in found:
        click.echo(f"{each.number}:{each.digest}  {each.title}")


@click.command(epilog="Example:  benchrig records key")
@as_json_option
@speaks
def key(as_json: bool) -> None:
    """Print the keys that the benches of this store seal with: public halves, and where the private ones are kept."""
    found = shown_store().bench_keys()
    if as_json:
        emit([each._asdict() for each in found])
        return
    if not found:
        click.echo("No bench of this store has a key yet: it is made when the bench is first used.", err=True)
    for each in found:
        click.echo(
            f"{each.bench}\n  key     {each.name}{'' if each.newest else '  (an earlier one)'}\n  public  {each.public}"
        )
        click.echo(f"  file    {each.file if each.here else 'not on this computer'}")
        if each.too_open:
            click.echo("  Others on this computer may read the file, and so sign as this bench: chmod 600", err=True)
