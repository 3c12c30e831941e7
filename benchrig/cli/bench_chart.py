"""`benchrig bench chart`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from benchrig.cli.output import as_json_option, emit, plain_console, speaks

__all__ = ["chart", "tell_after_run"]


@click.command("chart", epilog="Example:  benchrig bench chart --tag SHELF-1")
@click.option("--tag", help="The check valve's tag. Default: the one that was measured last.")
@click.option(
    "--baseline",
    type=click.IntRange(8, 200),
    default=20,
    show_default=True,
    help="So many first runs give the limits.",
)
@click.option("--since", metavar="RUN", help="Begin with this run: after the bench was mended or calibrated anew.")
@as_json_option
@speaks
def chart(tag: str | None, baseline: int, since: str | None, as_json: bool) -> None:
    """Has the bench drifted? Charts of a known-good valve that is measured daily.

    The check valve (a part kept on the shelf, not a non-return valve) is measured with 'benchrig qualify --reason
    check-valve'. Exit status 3 when it warns: look at the bench before the next verdict.
    """
    from benchrig.application.paths import pages_folder, store_path
    from benchrig.errors import ConfigError
    from benchrig.records import Store
    from benchrig.reports.chart_page import print_chart
    from benchrig.reports.chart_words import chart_document, chart_report
    from benchrig.reports.page_files import write_chart_page

    store = Store(store_path(), reading=True)
    history = store.check_valve_runs(None if tag is None else store.tag_of(tag))
    if since is not None and since not in {run.run for run in history.runs}:
        raise ConfigError(
            f"Run {since} is no finished run of check valve {history.tag!r}.",
            hint=f"Its runs are {history.runs[0].run} to {history.runs[-1].run}; see 'benchrig records list'.",
        )
    report = chart_report(history, baseline=baseline, since=since)
    page: Path | None = None
    try:
        page = write_chart_page(report, pages_folder())
    except OSError as error:
        click.echo(f"The page could not be written into {pages_folder()} ({error.strerror or error}).", err=True)
    if as_json:
        emit(chart_document(report, page=None if page is None else str(page)))
    else:
        print_chart(report, plain_console())
        if page is not None:
            click.echo(f"\npage    {page}")
    sys.exit(3 if report.warns else 0)


def tell_after_run(tag: str) -> None:
    """After a check valve's run: say on stderr what its chart says now."""
    from benchrig.application.paths import store_path
    from benchrig.records import Store
    from benchrig.reports.chart_words import chart_report, said

    report = chart_report(Store(store_path(), reading=True).check_valve_runs(tag))
    click.echo(f"\nchart   {report.advice}", err=True)
    for each in report.warns:
        click.echo(f"        {each.title}: {'; '.join(said(each, signal) for signal in each.now)}", err=True)
        click.echo(f"          Check: {each.look}", err=True)
