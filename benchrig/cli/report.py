"""`benchrig report`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchrig.cli.output import as_json_option, emit, leave_if_broken, speaks, writing_pages
from benchrig.cli.shared_store import shown_store

if TYPE_CHECKING:
    from benchrig.records import RunRecord, Store

__all__ = ["report"]


@click.command(epilog="Example:  benchrig report C-1042 --folder /media/stick")
@click.argument("tag_or_run")
@click.option(
    "--folder", type=click.Path(path_type=Path), help="Where to write. Default: pages in the workshop's folder."
)
@click.option("--pdf", is_flag=True, help="Page and label as PDF too, for printers and mail.")
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Of the page in PDF."
)
@as_json_option
@speaks
def report(tag_or_run: str, folder: Path | None, pdf: bool, paper: str, as_json: bool) -> None:
    """Make page and label of a run from its record: by number, by tag (its latest run) or by label; or a check's page.

    A number that is both a run's and a tag is asked about: say run:0015 or tag:0015.
    """
    from benchrig.application.paths import pages_folder
    from benchrig.reports.label import label_html
    from benchrig.reports.page import page_html
    from benchrig.reports.page_files import write_label, write_page

    store = shown_store()
    where = folder or pages_folder()
    if tag_or_run.startswith("check-"):
        _check_page(store, tag_or_run, where, as_json=as_json)
        return
    record = store.run(tag_or_run)
    before = store.before(record)
    printed: dict[str, str] = {}
    with writing_pages(where):
        page = write_page(record, where, store.signed(record, page_html(record, before)))
        label = write_label(record, where, store.signed(record, label_html(record)))
        if pdf:
            printed = _pdf(store, record, before, where, paper)
    if as_json:
        seal = None if record.seal is None else record.seal.document()
        told = {"run": record.run, "tag": record.intake.tag, "page": str(page), "label": str(label)}
        emit({**told, **printed, "seal": seal})
    else:
        click.echo(f"page    {page}\nlabel   {label}")
        for each in printed.values():
            click.echo(f"pdf     {each}")
    leave_if_broken(record)


def _pdf(store: Store, record: RunRecord, before: RunRecord | None, where: Path, paper: str) -> dict[str, str]:
    from benchrig.reports.page_files import write_pdf
    from benchrig.reports.pdf import label_pdf, page_pdf

    page = page_pdf(record, before, paper="us-letter" if paper == "letter" else "a4")
    made = write_pdf(record, where, store.signed_pdf(record, page), store.signed_pdf(record, label_pdf(record)))
    return dict(zip(("page_pdf", "label_pdf"), map(str, made), strict=True))


def _check_page(store: Store, name: str, where: Path, *, as_json: bool) -> None:
    """The page of a bench check, by its name: ``check-0003``."""
    from benchrig.reports.page_files import write_check_page

    bench, done, check = store.calibration_store.check(name)
    with writing_pages(where):
        page = write_check_page(check, done, bench, where)
    if as_json:
        emit({"check": done.name, "page": str(page)})
    else:
        click.echo(f"page    {page}")
