"""`benchrig records summary`."""

from __future__ import annotations

from typing import Any

import click

from benchrig.cli.output import as_json_option, emit, plain_console, speaks, writing_pages
from benchrig.cli.run_choice import runs_wanted, which_runs
from benchrig.cli.shared_store import shown_store

__all__ = ["summary"]


@click.command(epilog="Example:  benchrig records summary --day 2026-11-27 --page")
@click.option("--day", metavar="DATE", help="Only runs begun on this day.")
@click.option("--page", "as_page", is_flag=True, help="Write a page too, into the workshop's folder of pages.")
@which_runs
@as_json_option
@speaks
def summary(day: str | None, as_page: bool, as_json: bool, **which: Any) -> None:
    """Sum up the runs of a day, a batch or a model: yield, rejects by cause, values against limits, drift, bench time.

    Without options: all runs of today.
    """
    from benchrig.application.paths import pages_folder
    from benchrig.clock import utc_now

    if day is None and not any(each is not None for each in which.values()):
        day = f"{utc_now().astimezone():%Y-%m-%d}"
    if day is not None:
        if which["since"] is not None or which["until"] is not None:
            raise click.UsageError("--day says both --from and --to.")
        which["since"] = which["until"] = day
    store = shown_store()
    found = store.summary(runs_wanted(store, **which))
    title = _title(day, which)
    page = None
    if as_page:
        from benchrig.reports.page_files import write_summary_page

        with writing_pages(pages_folder()):
            page = write_summary_page(found, title, pages_folder())
    if as_json:
        emit({"title": title, **found.document(), "page": None if page is None else str(page)})
        return
    from benchrig.reports.summary_page import print_summary

    print_summary(found, title, plain_console())
    if page is not None:
        click.echo(f"\npage    {page}")


def _title(day: str | None, which: dict[str, Any]) -> str:
    """What the summary is of."""
    said = [] if day is None else [day]
    named = {
        "model": "model",
        "tag": "tag",
        "verdict": "verdict",
        "cause": "cause",
        "batch": "batch",
        "bench_name": "bench",
    }
    said += [f"{word} {which[key]}" for key, word in named.items() if which[key] is not None]
    if day is None:
        said += [f"{word} {which[key]}" for key, word in (("since", "from"), ("until", "to")) if which[key] is not None]
    if which["rests_on"] is not None:
        said.append(f"rested on {which['rests_on']}")
    if which["real"] is not None:
        said.append("real benches" if which["real"] else "simulated benches")
    return f"Summary, {', '.join(said)}"
