"""What `qualify` and `demo` share: a run shown while it is made, and its outcome told."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

import click

from benchrig.application.events import Listener
from benchrig.application.paths import store_path
from benchrig.application.qualification import Qualification
from benchrig.application.questions import Questions
from benchrig.cli.live_line import LiveLine
from benchrig.cli.operator_prompts import TerminalQuestions, ring
from benchrig.cli.output import emit, plain_console
from benchrig.cli.run_display import RunDisplay
from benchrig.records import run_document

__all__ = ["EXIT", "shown_run", "tell_outcome"]

EXIT = {"accept": 0, "reject": 1, "undecided": 4}


@contextmanager
def shown_run() -> Iterator[tuple[Questions, Listener]]:
    """Who is asked during a run and who is told of it, on the terminal; at the end it rings."""
    console = plain_console(stderr=True)
    line = LiveLine(console)
    with line.cleared():
        yield TerminalQuestions(console, line), RunDisplay(console, line)
    console.print()
    ring(console)


def tell_outcome(done: Qualification, *, as_json: bool) -> int:
    """Tell what came of a run; return the exit status."""
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
