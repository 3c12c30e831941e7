"""What the bench commands share: which bench, and who stands at it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from benchrig.errors import ConfigError

if TYPE_CHECKING:
    from benchrig.bench.bench import Bench
    from benchrig.bench.opening import OpenedBench
    from benchrig.bench.traceability import BenchKey

__all__ = ["bench_options", "instead_of_hardware", "key_of", "open_asked"]

F = TypeVar("F", bound=Callable[..., Any])

GOOD = "good"
"""What the simulated valve is like when no condition is named."""

_OPTIONS = (
    click.option("--operator", default=None, help="Who stands at the bench. Left out: the computer's user."),
    click.option(
        "--fault", "faults", multiple=True, metavar="KIND", help="A fault of the simulated bench, for practice."
    ),
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
        help="Bench file. Left out: bench.toml in the workshop's folder.",
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


@contextmanager
def open_asked(
    bench_file: Path | None, *, simulated: str | None, seed: int, faults: tuple[str, ...] = ()
) -> Iterator[OpenedBench]:
    """Open the bench that the options name, and close it at the end. A fault without @SECONDS is there at once."""
    from benchrig.bench.opening import open_bench_file, open_registered
    from benchrig.cli.places import home

    if bench_file is not None and simulated is not None:
        raise click.UsageError("--bench and --simulated exclude each other: one bench at a time.")
    if faults and simulated is None:
        raise click.UsageError("--fault is for the simulated bench: give --simulated too.")
    if simulated is not None:
        timed = [fault if "@" in fault else f"{fault}@0" for fault in faults]
        opened = open_registered("simulated", {"condition": simulated, "seed": seed, "faults": timed})
    else:
        path = bench_file or home() / "bench.toml"
        if bench_file is None and not path.exists():
            raise ConfigError(
                f"No bench: neither --bench nor --simulated was given, and there is no {path}.",
                hint="Without hardware: --simulated. With: 'benchrig bench show --example' prints a bench file.",
            )
        opened = open_bench_file(path)
    with opened:
        yield opened


def key_of(bench: Bench, seed: int | None) -> BenchKey:
    """Which bench it is, for the store: a simulated one is another bench with every seed."""
    from benchrig.bench.traceability import BenchKey

    general = bench.file.bench
    return BenchKey(general.name, general.simulated, seed if general.simulated else None)
