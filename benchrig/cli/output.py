"""How commands speak: one JSON document on stdout, or words for a person; errors with their hint and exit status."""

from __future__ import annotations

import functools
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

import click

from benchrig import stop_requests
from benchrig.errors import BenchError, ConfigError, aborted

if TYPE_CHECKING:
    from pathlib import Path

    from rich.console import Console

    from benchrig.application.events import PageNotWritten
    from benchrig.records import RunRecord

__all__ = [
    "as_json_option",
    "emit",
    "leave_if_broken",
    "plain_console",
    "say_page_not_written",
    "speaks",
    "writing_pages",
]

F = TypeVar("F", bound=Callable[..., Any])

as_json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document on stdout, nothing else."
)


def plain_console(*, stderr: bool = False) -> Console:
    """A console that prints what it is given: no markup in brackets, no codes of pictures, no colours of its own."""
    from rich.console import Console

    return Console(stderr=stderr, highlight=False, markup=False, emoji=False)


def emit(document: object) -> None:
    """Print one JSON document on stdout. Not-a-number never appears in it."""
    click.echo(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))


def say_page_not_written(event: PageNotWritten) -> None:
    """Say that a page is missing, and that its record is not."""
    click.echo(
        f"The page could not be written into {event.folder} ({event.why}). The record is safe:\n"
        f"  free some space, then  benchrig report {event.name}",
        err=True,
    )


@contextmanager
def writing_pages(folder: Path) -> Iterator[None]:
    """Around the writing of pages: a folder or a disk that does not take them is told as ours."""
    try:
        yield
    except OSError as error:
        raise ConfigError(
            f"The page cannot be written into {folder} ({error.strerror or error}).",
            hint="Check the folder and the free space.",
        ) from error


def leave_if_broken(record: RunRecord) -> None:
    """End with status 3 when a record that was shown is not as it was sealed, and say so for whoever saw no colours."""
    if record.seal is not None and record.seal.faults:
        click.echo(
            f"Run {record.run} is not as it was sealed. 'benchrig records verify' looks at the whole store.", err=True
        )
        sys.exit(3)


def speaks(command: F) -> F:
    """Turn a `BenchError` or a stop by the operator into words, a JSON document and the right exit status."""

    @functools.wraps(command)
    def wrapped(*args: Any, **kwargs: Any) -> Any:
        try:
            return command(*args, **kwargs)
        except BenchError as error:
            with stop_requests.ending():
                _tell(str(error), error.hint, error, as_json=bool(kwargs.get("as_json")))
            sys.exit(error.exit_status)
        except KeyboardInterrupt as stop:
            with stop_requests.ending():
                hint = "Start the run again when you are ready." if aborted(stop).bench_state else ""
                _tell(_stopped(), hint, stop, as_json=bool(kwargs.get("as_json")))
            sys.exit(3)

    return wrapped  # type: ignore[return-value]  # functools.wraps keeps the signature, which mypy cannot see


def _stopped() -> str:
    return {
        "SIGTERM": "Stopped: the computer asked the program to end.",
        "SIGHUP": "Stopped: the terminal was closed.",
        "SIGBREAK": "Stopped: the window was closed, or Ctrl-Break pressed.",
    }.get(stop_requests.requested(), "Stopped by the operator.")


def _tell(said: str, hint: str, error: BaseException, *, as_json: bool) -> None:
    """Tell what ended the command; the bench's state, the run's number and its page come with the error, if any."""
    left = aborted(error)
    problems: tuple[BenchError, ...] = getattr(error, "problems", ())
    if as_json:
        document: dict[str, object] = {"error": said, "hint": hint, "bench_state": left.bench_state}
        if problems:
            document["problems"] = [{"error": str(each), "hint": each.hint} for each in problems]
        emit(document | {key: value for key, value in (("run", left.run), ("page", left.page)) if value})
    if problems:
        lines = [click.style(said.partition("\n")[0], bold=True)]
        for each in problems:
            lines.append(click.style(f"  {each}", bold=True))
            lines += [f"    Check: {line}" for line in each.hint.splitlines()]
    else:
        lines = [click.style(said, bold=True)]
    if left.bench_state:
        lines.append(f"  Bench: {left.bench_state}.")
    if not problems:
        lines += [f"  Check: {line}" for line in hint.splitlines()]
    if left.run:
        lines.append(f"  Record: run {left.run}, marked as aborted; its finished steps are kept.")
    if left.page:
        lines.append(f"  Page: {left.page}")
    click.echo("\n".join(lines), err=True)
