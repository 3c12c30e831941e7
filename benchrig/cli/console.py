"""`benchrig console`."""

from __future__ import annotations

from pathlib import Path

import click

from benchrig.cli.bench_options import instead_of_hardware
from benchrig.cli.output import speaks

__all__ = ["console"]


@click.command(
    epilog="Example:  benchrig console --simulated\n\nExample:  benchrig console --bench bench.toml --host 0.0.0.0"
)
@click.option(
    "--bench",
    "bench_file",
    type=click.Path(path_type=Path),
    help="Bench file. Default: bench.toml in the workshop's folder.",
)
@instead_of_hardware("The simulated bench; the page lets you choose what is wrong with each valve.")
@click.option("--seed", type=click.IntRange(0, 2**32 - 1), default=1, show_default=True, help="Which simulated bench.")
@click.option("--quick", is_flag=True, help="Simulated seconds pass as fast as they are worked out.")
@click.option(
    "--host", default="127.0.0.1", show_default=True, help="Address to listen on; 0.0.0.0: all, with a token."
)
@click.option("--port", type=click.IntRange(0, 65535), default=8765, show_default=True, help="0: any free one.")
@click.option(
    "--allow-uncalibrated",
    is_flag=True,
    help="Run although check or calibrations are missing or expired. Every result and the page are marked.",
)
@speaks
def console(
    bench_file: Path | None,
    simulated: str | None,
    seed: int,
    quick: bool,
    host: str,
    port: int,
    allow_uncalibrated: bool,
) -> None:
    """The operator's page: the bench in a browser, for the counter and the bench hand. Ctrl-C ends it."""
    import gc

    from benchrig.errors import ConfigError

    if bench_file is not None and simulated is not None:
        raise click.UsageError("--bench and --simulated exclude each other: one bench at a time.")
    if quick and simulated is None:
        raise click.UsageError("--quick is for the simulated bench: give --simulated too.")
    gc.enable()  # this command may run for days
    try:
        from benchrig.console.serving import serve_console
    except ModuleNotFoundError as missing:
        raise ConfigError(
            f"The console needs {missing.name}, which is not installed.", hint="pip install 'benchrig[console]'"
        ) from missing
    from benchrig.application.bench_choice import BenchChoice, bench_file_of
    from benchrig.bench.file import load_bench_file
    from benchrig.console.access import Access
    from benchrig.console.settings import BenchSettings

    if simulated is None:
        load_bench_file(
            bench_file_of(BenchChoice(bench_file))
        )  # what is wrong with it is said now, not at the first run

    def announce(access: Access) -> None:
        if access.needs_token:
            click.echo(
                f"Other computers can reach this page at {host}: whoever has the address below can switch the bench. "
                "Nothing is encrypted; only within your own network.",
                err=True,
            )
        click.echo(f"Open {access.address}   Ctrl-C ends it; outputs go off.")

    where = "" if bench_file is None else str(bench_file.absolute())
    serve_console(BenchSettings(where, simulated or "", seed, quick, allow_uncalibrated), host, port, announce)
