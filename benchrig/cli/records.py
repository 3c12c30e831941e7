"""`benchrig records`."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from benchrig.cli.lazy_group import LazyGroup
from benchrig.cli.output import as_json_option, emit, leave_if_broken, plain_console, speaks
from benchrig.cli.run_choice import runs_wanted, which_runs
from benchrig.cli.shared_store import say_what_waits, shown_store, store_to_decide

if TYPE_CHECKING:
    from benchrig.bench.calibrations import Calibration
    from benchrig.records import RunRecord, Store
    from benchrig.verdict.judgement import Disposition

__all__ = ["records"]


DECIDED: dict[str, Disposition] = {
    "sell": "sell",
    "clean-and-retest": "clean and retest",
    "air-out-and-retest": "air out and retest",
    "scrap": "scrap",
    "refund": "refund",
    "return-to-customer": "return to customer",
    "keep": "keep",
}


def _dispositions(command: Any) -> Any:
    """One flag for each thing that can be done with a part."""
    for name in reversed(DECIDED):
        command = click.option(f"--{name}", "disposition", flag_value=name, help=f"Decided: {DECIDED[name]}.")(command)
    return command


# name -> (where the command is, its line in --help); loaded when called
_MORE: dict[str, tuple[str, str]] = {
    "verify": ("benchrig.cli.records_verify:verify", "Hold everything in the store against its seals."),
    "export": ("benchrig.cli.records_export:export", "Runs as CSV, JSON or Parquet for other programs."),
    "judge-again": ("benchrig.cli.records_judge_again:judge", "What verdicts would be now, or by other limits."),
    "batches": ("benchrig.cli.records_batches:batches", "What batches there are, and what came of them."),
    "archive": ("benchrig.cli.records_keeping:archive", "Old traces into Parquet files; results stay."),
    "backup": ("benchrig.cli.records_keeping:backup", "A copy of the store, while runs go on, looked through."),
    "restore": ("benchrig.cli.records_keeping:restore", "Go on from a copy; what was there is set aside."),
    "summary": ("benchrig.cli.records_summary:summary", "A day, a batch, a model: yield, causes, values, drift."),
    "deliver": ("benchrig.cli.records_deliver:deliver", "Bring what this bench recorded to the shared store."),
    "head": ("benchrig.cli.records_verify:head", "How far the seals have come: to keep elsewhere."),
    "key": ("benchrig.cli.records_verify:key", "The keys that the benches of this store seal with."),
}


@click.group(cls=LazyGroup, lazy=_MORE)
def records() -> None:
    """What was measured, by run and by tag."""


@records.command("list", epilog="Example:  benchrig records list --verdict reject --from 2026-11-01 --most 100")
@which_runs
@click.option("--most", type=click.IntRange(1, 100_000), default=50, show_default=True, help="How many, newest first.")
@as_json_option
@speaks
def list_(most: int, as_json: bool, **which: Any) -> None:
    """List runs, newest first: all, or those that are wanted by part, model, verdict, cause, date or bench."""
    store = shown_store()
    wanted = runs_wanted(store, **which)
    found = store.runs(most, wanted=wanted)
    say_what_waits()
    if as_json:
        emit([summary.document() for summary in found])
        return
    from rich.table import Table
    from rich.text import Text

    if not found:
        click.echo(f"No runs{' that fit' if any(which.values()) else ''} in {store.place}.", err=True)
        return
    table = Table(box=None, pad_edge=False, header_style="dim")
    for heading in ("run", "when", "tag", "model", "verdict", "cause", ""):
        table.add_column(heading, overflow="fold", no_wrap=heading in ("run", "when"))
    colours = {"accept": "green", "reject": "red", "undecided": "yellow"}
    for summary in found:
        word = (
            "cannot be read"
            if summary.ending == "damaged"
            else summary.verdict or ("no verdict: aborted" if summary.ending == "aborted" else summary.ending)
        )
        table.add_row(
            summary.run,
            "no date" if summary.started is None else f"{summary.started.astimezone():%Y-%m-%d %H:%M}",
            Text(summary.tag),
            Text(summary.model),
            Text(word, style=colours.get(word, "dim")),
            Text(summary.cause or ""),
            Text("simulated" if summary.simulated else "", style="dim"),
        )
    plain_console().print(table)


def _withdrawn(store: Store, record: RunRecord) -> list[Calibration]:
    """The calibrations that a run rested on and that were found wrong since."""
    rested = {ground.number for ground in record.bench.grounds if ground.kind != "check"}
    if not rested:
        return []
    return [
        each for each in store.calibration_store.calibrations() if each.number in rested and each.withdrawal is not None
    ]


@records.command("decide", epilog="Example:  benchrig records decide C-1042 --scrap --because 'housing is cracked'")
@click.argument("tag_or_run")
@_dispositions
@click.option("--because", required=True, help="Why: whoever reads the record will ask.")
@click.option("--operator", default=None, help="Who decided it. Default: the computer's user.")
@as_json_option
@speaks
def decide(tag_or_run: str, disposition: str | None, because: str, operator: str | None, as_json: bool) -> None:
    """Keep what was decided about a part after its run, and why. Nothing is changed: a second thought is added."""
    from benchrig.cli.bench_options import who
    from benchrig.clock import utc_now
    from benchrig.errors import ConfigError
    from benchrig.records import run_document
    from benchrig.records.decisions import Decision

    if disposition is None:
        raise click.UsageError(f"Say what was decided: one of {', '.join(f'--{name}' for name in DECIDED)}.")
    if not because.strip():
        raise ConfigError("The reason after --because is empty.", hint="Say why: whoever reads the record will ask.")
    store = store_to_decide()
    record = store.run(tag_or_run)
    if record.ending == "running":
        raise ConfigError(f"Run {record.run} has not ended.", hint="Wait for its verdict.")
    store.decide(record, Decision(utc_now(), who(operator), DECIDED[disposition], because.strip()))
    if as_json:
        emit(run_document(store.run(f"run:{record.run}"), page=None))
        return
    click.echo(f"Run {record.run}, part {record.intake.tag}: {DECIDED[disposition]}.")
    click.echo(f"'benchrig report run:{record.run}' makes the page with it.", err=True)


@records.command("show", epilog="Example:  benchrig records show 0042 --json")
@click.argument("tag_or_run")
@as_json_option
@speaks
def show(tag_or_run: str, as_json: bool) -> None:
    """Show one run: by its number, by tag (its latest run), or by what a scanner reads from a label.

    A number that is both a run's and a tag is asked about: say run:0015 or tag:0015. Exit status 3 where the record is
    not as it was sealed.
    """
    from benchrig.application.paths import pages_folder
    from benchrig.records import run_document

    store = shown_store()
    record = store.run(tag_or_run)
    gone = _withdrawn(store, record)
    if as_json:
        from benchrig.reports.page_files import page_path

        page = page_path(record, pages_folder())
        document = run_document(record, page=str(page) if page.exists() else None)
        emit({**document, "withdrawn_since": [each.name for each in gone]} if gone else document)
        leave_if_broken(record)
        return

    from benchrig.reports.run_terminal import print_run

    print_run(record, plain_console(), store.before(record))
    leave_if_broken(record)


@records.command("new-store", epilog="Example:  benchrig records new-store")
@click.option(
    "--from-backup",
    is_flag=True,
    help="Go on from the file that stands in the store's place, although it is older than the store that was kept.",
)
@click.option("--yes", is_flag=True, help="Do not ask.")
@as_json_option
@speaks
def new_store(from_backup: bool, yes: bool, as_json: bool) -> None:
    """Begin a new store where one was lost, or go on from a backup. Numbers go on, old files are set aside.

    Never needed on the first day: a store is made by itself where none was.
    """
    from benchrig.application.paths import pages_folder, store_path
    from benchrig.errors import ConfigError
    from benchrig.records.store_replacement import begin_anew, go_on_from_backup

    path, pages = store_path(), pages_folder()
    if not yes:
        if as_json or not sys.stdin.isatty():
            raise ConfigError(
                "A new store is begun only when asked for, and nobody is there to ask.", hint="Say so beforehand: --yes"
            )
        what = f"Go on from the backup at {path}" if from_backup else f"Begin a new store at {path}"
        click.confirm(f"{what}? Was a newer backup looked for?", abort=True, err=True)
    head, aside = (go_on_from_backup(path, pages), []) if from_backup else begin_anew(path, pages)
    if as_json:
        emit({"store": str(path), "next_run": f"{head.run + 1:04d}", "set_aside": [str(each) for each in aside]})
        return
    for each in aside:
        click.echo(f"set aside  {each}", err=True)
    click.echo(f"{path}: the next run is {head.run + 1:04d}.")
