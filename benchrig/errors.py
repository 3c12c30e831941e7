"""What can go wrong on a bench, as one small tree.

::

    BenchError                  the bench, its set-up or its surroundings; never the valve
    ├── ConfigError             a file or an option is wrong: nothing was switched
    ├── LinkError               talking to a device failed (unplugged, refused, damaged answers)
    │   └── LinkTimeout         no answer before the deadline
    ├── DeviceError             the device answered, and answered no
    ├── InterlockOpen           emergency stop pressed, guard open, or the board tripped
    └── NotCalibrated           a constant that the result rests on is missing or out of date

Anything else that is raised is a bug and keeps its traceback. "The valve is bad" is no exception but a verdict.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "Aborted",
    "BenchError",
    "ConfigError",
    "DeviceError",
    "InterlockOpen",
    "LinkError",
    "LinkTimeout",
    "NotCalibrated",
    "aborted",
]


@dataclass
class Aborted:
    """What an error left of the run, check or calibration that it ended; each empty where there is nothing to say.

    Attributes
    ----------
    bench_state : str
        The state in which the bench was left.
    run, page : str
        Number and page of the run that was closed as aborted.
    """

    bench_state: str = ""
    run: str = ""
    page: str = ""


def aborted(error: BaseException) -> Aborted:
    """What an error left, to be read and added to: of a `KeyboardInterrupt` or a fault in the program too."""
    left = vars(error).setdefault("aborted", Aborted())
    assert isinstance(left, Aborted)
    return left


class BenchError(Exception):
    """The bench cannot go on.

    Parameters
    ----------
    message : str
        What, where, and how much against which limit; one or more lines.
    hint : str
        What to check, cheapest first.

    Attributes
    ----------
    problems : tuple of BenchError
        Where several things are wrong at once: each with its own hint.

    Examples
    --------
    >>> error = BenchError("Supply 3.1 V at the coil terminals, at least 11.0 V needed.", hint="Is the supply on?")
    >>> str(error), error.hint, error.exit_status
    ('Supply 3.1 V at the coil terminals, at least 11.0 V needed.', 'Is the supply on?', 3)
    """

    exit_status = 3

    def __init__(self, message: str, *, hint: str = "") -> None:
        super().__init__(message)
        self.hint = hint
        self.problems: tuple[BenchError, ...] = ()


class ConfigError(BenchError):
    """A file or an option is wrong; found before anything was switched."""

    exit_status = 2


class LinkError(BenchError):
    """Talking to a device failed: it is unplugged, refuses, or its answers are damaged."""


class LinkTimeout(LinkError):
    """A device did not answer before the deadline."""


class DeviceError(BenchError):
    """A device answered, and answered no."""


class InterlockOpen(BenchError):
    """Emergency stop pressed, guard open, or the board switched everything off by one of its rules."""


class NotCalibrated(BenchError):
    """A constant that the result rests on is missing or out of date."""
