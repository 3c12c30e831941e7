"""What `qualify` and `demo` share: one run, shown while it is made, and its outcome told."""

from __future__ import annotations

import sys

import click

from benchrig.application.paths import store_path
from benchrig.application.qualification import Qualification, QualificationRequest, qualify_valve
from benchrig.bench.opening import OpenedBench
from benchrig.cli.live_line import LiveLine
from benchrig.cli.operator_prompts import TerminalQuestions, ring
from benchrig.cli.output import emit, plain_console
from benchrig.cli.run_display import RunDisplay
from benchrig.records import Store, run_document

__all__ = ["EXIT", "run_one"]

EXIT = {"accept": 0, "reject": 1, "undecided": 4}


def run_one(store: Store, opened: OpenedBench, request: QualificationRequest, *, as_json: bool) -> int:
    """Take one valve through the sequence and tell the outcome; return the exit status."""
    console = plain_console(stderr=True)
    line = LiveLine(console)
    with line.cleared():
        done = qualify_valve(
            store, opened, request, questions=TerminalQuestions(console, line), tell=RunDisplay(console, line)
        )
    console.print()
    ring(console)
    if as_json:
        emit(run_document(done.record, page=None if done.page is None else str(done.page)))
    else:
        _tell(done)
    sys.stdout.flush()
    assert done.record.judgement is not None  # for the type checker: a finished run has its verdict
    return EXIT[done.record.judgement.verdict]


def _tell(done: Qualification) -> None:
    from benchrig.reports.run_terminal import print_run, print_verdict

    out = plain_console()
    print_run(done.record, out, done.before)
    click.echo(f"\nrecord  {store_path()}  run {done.record.run}")
    if done.page is not None:
        click.echo(f"page    {done.page}\nlabel   {done.label}")
    click.echo()
    print_verdict(done.record, out)
