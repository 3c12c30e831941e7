"""`benchrig simulate`."""

from __future__ import annotations

import tempfile
from pathlib import Path

import click

from benchrig.cli.bench_options import GOOD, instead_of_hardware
from benchrig.cli.output import speaks

__all__ = ["simulate"]


@click.command(
    epilog="Example:  benchrig simulate --simulated good --folder /tmp/rig, and in another terminal\n\n"
    "benchrig qualify --bench /tmp/rig/bench.toml --model alder-24 --tag T1"
)
@click.option("--model", default="alder-24", show_default=True, help="The simulated valve's model.")
@instead_of_hardware("What is wrong with the simulated valve.", default=GOOD)
@click.option(
    "--seed", type=click.IntRange(0, 2**32 - 1), default=1, show_default=True, help="Of the valve and the noise."
)
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="KIND@SECONDS",
    help="A fault of the bench, so many seconds after the start.",
)
@click.option("--tank", is_flag=True, help="The bench has a vacuum tank, and its bench file says so.")
@click.option(
    "--folder",
    type=click.Path(path_type=Path),
    help="For the bench file and the board's port. Default: a new temporary folder.",
)
@click.option(
    "--meter-port",
    type=click.IntRange(0, 65535),
    default=0,
    help="TCP port of the meter on this computer; 0: any free one.",
)
@click.option(
    "--board-port",
    type=click.IntRange(0, 65535),
    help="TCP port of the board in place of a pseudo-terminal, which Windows has not; 0: any free one.",
)
@speaks
def simulate(
    model: str,
    simulated: str,
    seed: int,
    faults: tuple[str, ...],
    tank: bool,
    folder: Path | None,
    meter_port: int,
    board_port: int | None,
) -> None:
    """Serve the simulated instruments in real time: the board on a pseudo-terminal or TCP, the meter on TCP.

    Prints the addresses and writes a bench file that holds them. Ctrl-C ends it.
    """
    import gc

    from benchrig.bench.opening import registered
    from benchrig.errors import ConfigError

    gc.enable()  # this command may run for days
    where = folder or Path(tempfile.mkdtemp(prefix="benchrig-"))
    try:
        where.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ConfigError(f"--folder {where}: {error.strerror or error}.", hint="Name another folder.") from error
    options = {"model": model, "condition": simulated, "seed": seed, "faults": list(faults), "tank": tank}
    try:
        opened = registered("simulated")(options)
        click.echo("Simulated instruments; Ctrl-C ends them.")
        opened.serve(folder=where, meter_port=meter_port, board_port=board_port, announce=click.echo)
    except ValueError as error:
        raise ConfigError(str(error), hint="Check --model, --simulated, --fault, --folder and the ports.") from error
    except KeyboardInterrupt:
        click.echo("\nThe simulated instruments are switched off.")
