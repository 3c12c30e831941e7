"""What is wrong with a bench as an error: an open interlock, or several problems told as one."""

from __future__ import annotations

from benchrig.drivers.board_types import CAUSE_HINTS, BoardStatus, TripCause
from benchrig.errors import BenchError, InterlockOpen

__all__ = ["check_interlocks", "raise_all"]


def check_interlocks(status: BoardStatus) -> None:
    """Refuse to go on while the emergency stop is pressed or the guard is open; both are named."""
    wrong = []
    if not status.estop_ok:
        wrong.append(("Emergency stop is pressed", CAUSE_HINTS[TripCause.ESTOP]))
    if not status.guard_closed:
        wrong.append(("Guard is open", CAUSE_HINTS[TripCause.GUARD]))
    if wrong:
        raise InterlockOpen(". ".join(what for what, _ in wrong) + ".", hint=" ".join(look for _, look in wrong))


def raise_all(problems: list[BenchError]) -> None:
    """Raise what went wrong: the one problem itself, or several as one error of the kind that they share."""
    if not problems:
        return
    if len(problems) == 1:
        raise problems[0]
    said = f"{len(problems)} things are wrong with the bench:"
    shared = next(kind for kind in type(problems[0]).__mro__ if all(isinstance(each, kind) for each in problems))
    together: BenchError = shared(
        "\n".join([said, *(f"  {problem}" for problem in problems)]),
        hint="\n".join(problem.hint for problem in problems if problem.hint),
    )
    together.problems = tuple(problems)
    raise together from ExceptionGroup(said, problems)
