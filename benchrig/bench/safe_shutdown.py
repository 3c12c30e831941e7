"""The ending of whatever was done with a bench: outputs off, and the error says in what state the bench was left."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from benchrig import stop_requests
from benchrig.bench.bench import Bench
from benchrig.errors import BenchError, aborted

__all__ = ["end_safe", "safe_on_error"]


@contextmanager
def safe_on_error(bench: Bench) -> Iterator[None]:
    """Switch the bench off when anything is raised, and write its state on the error (`errors.aborted`).

    Ctrl-C and its like are errors here too; what comes after the first of them cannot cut the switching off short.
    """
    try:
        yield
    except BaseException as error:
        with stop_requests.ending():
            state = bench.make_safe()[1]  # also where the error tells of a bench already: it may be another's
            left = aborted(error)
            if not left.bench_state:
                left.bench_state = state
        raise


def end_safe(bench: Bench) -> str:
    """Switch the bench off in order; return its state in words.

    Raises
    ------
    BenchError
        The outputs are not known to be off.
    """
    with stop_requests.ending():
        safe, state = bench.make_safe()
    if not safe:
        error = BenchError(
            f"The bench could not be made safe at the end: {state}.",
            hint="Press the emergency stop and switch the supply off, then look at the board and its cable.",
        )
        aborted(error).bench_state = state
        raise error
    return state
