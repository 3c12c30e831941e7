"""What the bench commands share: which bench, and who stands at it."""

from __future__ import annotations

import getpass
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from benchrig.application.bench_choice import BenchChoice

__all__ = ["bench_options", "chosen_bench", "instead_of_hardware", "who"]

F = TypeVar("F", bound=Callable[..., Any])

GOOD = "good"
"""What the simulated valve is like when no condition is named."""

_OPTIONS = (
    click.option("--operator", default=None, help="Who stands at the bench. Default: the computer's user."),
    click.option(
        "--fault", "faults", multiple=True, metavar="KIND", help="A fault of the simulated bench, for practice."
    ),
    click.option("--tank", is_flag=True, help="The simulated bench has a vacuum tank."),
    click.option(
        "--seed", type=click.IntRange(0, 2**32 - 1), default=1, show_default=True, help="Which simulated bench."
    ),
    click.option(
        "--simulated",
        metavar="[CONDITION]",
        is_flag=False,
        flag_value=GOOD,
        help="The simulated bench, which connects references by itself.",
    ),
    click.option(
        "--bench",
        "bench_file",
        type=click.Path(path_type=Path),
        help="Bench file. Default: bench.toml in the workshop's folder.",
    ),
)


def bench_options(command: F) -> F:
    """Add the options that name a bench."""
    for option in _OPTIONS:
        command = option(command)
    return command


class _FirstName(click.Option):
    """An option whose other names, which it had once, still work and are not shown."""

    def get_help_record(self, ctx: click.Context) -> tuple[str, str] | None:
        """The line in --help, with the first name only."""
        names, self.opts = self.opts, self.opts[:1]
        try:
            return super().get_help_record(ctx)
        finally:
            self.opts = names


def instead_of_hardware(says: str, *, default: str | None = None) -> Callable[[F], F]:
    """Add ``--simulated [CONDITION]``, and the name that `demo` and `simulate` had for it before, as `simulated`."""

    def add(command: F) -> F:
        return click.option(
            "--simulated",
            *(() if default is None else ("--condition",)),
            "simulated",
            cls=_FirstName,
            metavar="[CONDITION]",
            is_flag=False,
            flag_value=GOOD,
            default=default,
            show_default=default is not None,
            help=says,
        )(command)

    return add


def chosen_bench(
    bench_file: Path | None, *, simulated: str | None, seed: int, faults: tuple[str, ...] = (), tank: bool = False
) -> BenchChoice:
    """The bench that the options name. A fault without @SECONDS is there at once."""
    from benchrig.application.bench_choice import BenchChoice

    if bench_file is not None and simulated is not None:
        raise click.UsageError("--bench and --simulated exclude each other: one bench at a time.")
    if faults and simulated is None:
        raise click.UsageError("--fault is for the simulated bench: give --simulated too.")
    if tank and simulated is None:
        raise click.UsageError("--tank is for the simulated bench; of a real one its bench file has a table [tank].")
    if simulated is None:
        return BenchChoice(bench_file)
    timed = [fault if "@" in fault else f"{fault}@0" for fault in faults]
    options = {"condition": simulated, "seed": seed, "faults": timed}
    return BenchChoice(simulated={**options, "tank": True} if tank else options)


def who(named: str | None) -> str:
    """The operator: as named, or the name under which the computer is used."""
    if named:
        return named
    try:
        return getpass.getuser()
    except (ImportError, KeyError, OSError):  # Windows has no `pwd` to ask
        return "unknown"
