"""How commands speak: one JSON document on stdout, or words for a person; errors with their hint and exit status."""

from __future__ import annotations

import functools
import json
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

import click

from benchrig.errors import BenchError

__all__ = ["as_json_option", "emit", "speaks", "stop_on_sigterm"]

F = TypeVar("F", bound=Callable[..., Any])

as_json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document on stdout, nothing else."
)


def emit(document: object) -> None:
    """Print one JSON document on stdout. Not-a-number never appears in it."""
    click.echo(json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False))


def speaks(command: F) -> F:
    """Turn a `BenchError` or a stop by the operator into words, a JSON document and the right exit status."""

    @functools.wraps(command)
    def wrapped(*args: Any, **kwargs: Any) -> Any:
        try:
            return command(*args, **kwargs)
        except BenchError as error:
            _tell(str(error), error.hint, error.bench_state, as_json=bool(kwargs.get("as_json")))
            sys.exit(error.exit_status)
        except KeyboardInterrupt as stop:
            hint = "Start the run again when you are ready."
            _tell(
                "Stopped by the operator.", hint, getattr(stop, "bench_state", ""), as_json=bool(kwargs.get("as_json"))
            )
            sys.exit(3)

    return wrapped  # type: ignore[return-value]  # functools.wraps keeps the signature, which mypy cannot see


def _tell(error: str, hint: str, bench_state: str, *, as_json: bool) -> None:
    if as_json:
        emit({"error": error, "hint": hint, "bench_state": bench_state})
    lines = [click.style(error, bold=True)]
    if bench_state:
        lines.append(f"  Bench: {bench_state}.")
    lines += [f"  Check: {line}" for line in hint.splitlines()]
    click.echo("\n".join(lines), err=True)


@contextmanager
def stop_on_sigterm() -> Iterator[None]:
    """Treat a request to end the program like Ctrl-C, so that the outputs are switched off in order."""

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
