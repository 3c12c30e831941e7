"""`benchrig records judge-again`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchrig.cli.output import as_json_option, emit, plain_console, speaks
from benchrig.cli.run_choice import runs_wanted, which_runs
from benchrig.cli.scheduler_option import print_workers_lost, scheduler_option
from benchrig.cli.shared_store import shown_store

if TYPE_CHECKING:
    from benchrig.application.judging_again import JudgedAgain, RunAgain

__all__ = ["judge"]

MOST_SHOWN = 40


@click.command("judge-again", epilog="Example:  benchrig records judge-again --model tighter.toml --from 2026-11-01")
@click.option("--jobs", type=click.IntRange(1, 256), help="Processes on this computer. Default: one for each core.")
@scheduler_option
@click.option(
    "--bench-file",
    type=click.Path(path_type=Path),
    help="For what records do not hold of the bench. Default: the usual values.",
)
@which_runs
@as_json_option
@speaks
def judge(jobs: int | None, scheduler: str | None, bench_file: Path | None, as_json: bool, **which: Any) -> None:
    """Analyse the traces of stored runs with this program, judge them, and show what would change. Nothing is changed.

    --model takes a model's file (NAME.toml) too: its runs are then judged by the limits in it.
    """
    from rich.text import Text

    from benchrig.application.events import Event, RunsJudgedAgain, WorkersLost
    from benchrig.application.judging_again import judge_again
    from benchrig.catalogue.valve_model import read_model
    from benchrig.cli.live_line import LiveLine

    model = None
    if which["model"] is not None and which["model"].endswith(".toml"):
        model = read_model(Path(which["model"]))
        which["model"] = model.model
    store = shown_store()
    numbers = store.numbers(runs_wanted(store, **which))
    line = LiveLine(plain_console(stderr=True))

    def tell(event: Event) -> None:
        if isinstance(event, RunsJudgedAgain):
            line.show(Text(f"{event.done} of {event.of} runs"))
        elif isinstance(event, WorkersLost):
            print_workers_lost(line.console, event)

    with line.cleared():
        found = judge_again(
            store, numbers, model=model, bench_file=bench_file, jobs=jobs, scheduler=scheduler, tell=tell
        )
    if as_json:
        emit(found.document())
    else:
        _say(found)


def _say(found: JudgedAgain) -> None:
    from rich.table import Table
    from rich.text import Text

    console = plain_console()
    judged = [each for each in found.runs if not each.why_not]
    changed = [each for each in judged if each.changed]
    table = Table(box=None, pad_edge=False, header_style="dim")
    for heading in ("run", "tag", "before", "now", "what"):
        table.add_column(heading, overflow="fold")
    for each in changed[:MOST_SHOWN]:
        before, now = _told(each.verdict_before, each.cause_before), _told(each.verdict, each.cause)
        table.add_row(each.run, Text(each.tag), before, now, Text(_moved(each)))
    if changed:
        console.print(table)
    if len(changed) > MOST_SHOWN:
        console.print(f"and {len(changed) - MOST_SHOWN} more: --json names them all")
    for each in found.runs:
        if each.why_not:
            console.print(Text(f"run {each.run} could not be judged again: {each.why_not}", style="yellow"))
    other = sum(count for (before, now), count in found.table().items() if before != now)
    console.print(
        f"{len(judged)} runs judged again: {other} verdicts would be others, {len(changed)} runs would say something "
        "else. Nothing was changed."
    )
    for (before, now), count in sorted(found.table().items()):
        console.print(f"  {before} -> {now}: {count}")
    if found.without_verdict:
        console.print(f"{found.without_verdict} runs came to no verdict and were left out.")


def _told(verdict: str, cause: str | None) -> str:
    return verdict if cause is None else f"{verdict}, {cause}"


def _moved(run: RunAgain) -> str:
    from benchrig.analysis.characteristics import title_of

    said = []
    for each in run.values:
        if each.moved:
            outcome = "" if each.outcome == each.outcome_before else f", {each.outcome_before} -> {each.outcome}"
            value = "" if each.value == each.value_before else f" {_number(each.value_before)} -> {_number(each.value)}"
            said.append(f"{title_of(each.name)}{value}{outcome}")
    return "; ".join(said)


def _number(value: float | None) -> str:
    return "not measured" if value is None else f"{value:.4g}"
