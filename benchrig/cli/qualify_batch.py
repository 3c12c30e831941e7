"""`benchrig qualify --batch`."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from datetime import UTC, datetime, time
from pathlib import Path
from typing import cast

import click

from benchrig.application.batch import BatchPlan, batch_name, run_batch
from benchrig.application.batch_parts import BatchPart, read_parts
from benchrig.application.batch_tally import BatchTally
from benchrig.application.bench_choice import BenchChoice, bench_file_of, open_bench
from benchrig.application.paths import model_folders, store_path
from benchrig.application.qualification import QualificationRequest
from benchrig.bench.file import load_bench_file
from benchrig.catalogue import Catalogue
from benchrig.cli.batch_prompts import BatchDisplay, TerminalBatchQuestions, tally_text
from benchrig.cli.live_line import LiveLine
from benchrig.cli.output import emit, plain_console
from benchrig.cli.shared_store import delivering
from benchrig.clock import utc_now
from benchrig.errors import ConfigError
from benchrig.records import Store
from benchrig.records.run_list import day_from
from benchrig.reports.formatting import visible
from benchrig.verdict.judgement import Reason

__all__ = ["qualify_batch"]


def qualify_batch(
    request: Callable[[BatchPart], QualificationRequest],
    choice: Callable[[BatchPart], BenchChoice],
    *,
    bench_file: Path | None,
    simulated: bool,
    model: str | None,
    reason: str,
    complaint: str,
    parts_file: Path | None,
    since: str | None,
    named: str | None,
    as_json: bool,
) -> int:
    """Test part after part; return the exit status: 0, or 3 when some of the list have no verdict."""
    catalogue = Catalogue(model_folders())
    why = cast("Reason", reason)
    if parts_file is not None:
        parts = read_parts(parts_file, catalogue.get, model=model, reason=why)

        def part_of(tag: str) -> BatchPart:
            raise ConfigError(f"{tag} is not on the list {parts_file}.", hint="Scan it again, or put it on the list.")
    else:
        if model is None:
            raise click.UsageError("Missing option '--model'.")
        parts, valve = (), catalogue.get(model)

        def part_of(tag: str) -> BatchPart:
            return BatchPart(tag, valve, why, complaint)

    begun = _today() if since is None else day_from(since)
    what = parts_file.stem if parts_file is not None else model
    plan = BatchPlan(
        batch_name(f"{begun.astimezone():%Y-%m-%d} {what}" if named is None else named),
        part_of,
        request,
        lambda part: open_bench(choice(part)),
        since=begun,
        simulated=simulated or _says_simulated(bench_file),
        parts=parts,
    )
    console = plain_console(stderr=True)
    line = LiveLine(console)
    with line.cleared():
        store = Store(store_path())
        tell = delivering(store, BatchDisplay(console, line))
        tally = run_batch(store, plan, TerminalBatchQuestions(console, line), tell=tell)
    if as_json:
        emit(tally.document())
    else:
        _tell(tally, plan.name)
    return 3 if tally.left else 0


def _tell(tally: BatchTally, name: str) -> None:
    click.echo(f"\nBatch {visible(name)}\n        {tally_text(tally)}")
    for verdict, cause, number in tally.causes:
        click.echo(f"  {number:4d}  {verdict}: {cause}")
    if tally.left:
        click.echo(f"  {len(tally.left):4d}  of the list not tested yet; the same command goes on with them")
    if tally.parts:
        click.echo(f"record  {store_path()}  runs {tally.parts[0].run} to {tally.parts[-1].run}")
        click.echo(f"sum     benchrig records summary --batch {shlex.quote(name)}")


def _today() -> datetime:
    """The beginning of the day, in the computer's time zone."""
    return datetime.combine(utc_now().astimezone().date(), time()).astimezone(UTC)


def _says_simulated(bench_file: Path | None) -> bool:
    return load_bench_file(bench_file_of(BenchChoice(bench_file))).file.bench.simulated
