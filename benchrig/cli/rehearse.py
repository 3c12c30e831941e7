"""`benchrig rehearse`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchrig.bench.constants import KINDS, Kind
from benchrig.cli.output import as_json_option, emit, plain_console, speaks
from benchrig.cli.scheduler_option import print_workers_lost, scheduler_option

if TYPE_CHECKING:
    from rich.text import Text

    from benchrig.application.events import Event, RehearsalBegan, RehearsalProgress
    from benchrig.cli.live_line import LiveLine

__all__ = ["rehearse"]

MOST_VALVES = 1_000_000
SHOWN = 20
REFRESH_S = 0.1


@click.command(
    epilog="Example:  benchrig rehearse --valves 200 --seed 7\n\n"
    "Example:  benchrig rehearse --valves 1000 --seed 7 --bench bench.toml --models my-models --mix mix.toml"
)
@click.option(
    "--valves", type=click.IntRange(1, MOST_VALVES), default=100, show_default=True, help="How many simulated valves."
)
@click.option(
    "--seed",
    type=click.IntRange(0, 2**32 - 1),
    default=1,
    show_default=True,
    help="The same seed, the same valves and results, whatever the number of workers.",
)
@click.option(
    "--bench",
    "bench_file",
    type=click.Path(path_type=Path),
    help="Take the sequence and the uncertainties from this bench file. Default: the simulated bench's own.",
)
@click.option(
    "--models",
    "models_folder",
    type=click.Path(path_type=Path),
    help="Folder of model files that take precedence over models of the same name elsewhere.",
)
@click.option(
    "--mix",
    "mix_file",
    type=click.Path(path_type=Path),
    help="How often each model and condition comes in, and how bad. Default: half of them good.",
)
@click.option(
    "--near-limit",
    is_flag=True,
    help="Valves whose leak or flow is 0.7 to 1.3 times its limit, in place of the mix's conditions.",
)
@click.option(
    "--operating-characteristic",
    "picture",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Valves whose leak, flow, coil or pull-in is 0.7 to 1.3 times its limit; draw into this SVG file how often "
    "they are accepted.",
)
@click.option(
    "--within",
    is_flag=True,
    help="Draw the bench's constants only within what its file states, not from the distributions that it states.",
)
@click.option(
    "--full", is_flag=True, help="Measure everything to the end, as for a return. Default: until it has told enough."
)
@click.option(
    "--calibrated",
    multiple=True,
    type=click.Choice(KINDS),
    help="Each simulated bench has this calibrated before; without it, it knows what its file states. May be repeated.",
)
@click.option("--tank", is_flag=True, help="Each simulated bench has a vacuum tank, as where --bench has a [tank].")
@click.option("--example-mix", is_flag=True, help="Print a mix file to start from, and exit.")
@click.option(
    "--workers",
    type=click.IntRange(1, 256),
    default=None,
    help="Processes on this computer. Default: one for each core.",
)
@scheduler_option
@click.option(
    "--misses",
    "most",
    type=click.IntRange(0),
    default=SHOWN,
    show_default=True,
    help="How many misses to list one by one.",
)
@as_json_option
@speaks
def rehearse(
    valves: int,
    seed: int,
    bench_file: Path | None,
    models_folder: Path | None,
    mix_file: Path | None,
    near_limit: bool,
    picture: Path | None,
    within: bool,
    full: bool,
    calibrated: tuple[Kind, ...],
    tank: bool,
    example_mix: bool,
    workers: int | None,
    scheduler: str | None,
    most: int,
    as_json: bool,
) -> None:
    """Simulated valves of known condition through the sequence: what error rates your limits and instruments give.

    Nothing is switched, and nothing is written into the store: the records are kept in memory and let go.
    """
    from benchrig.application.rehearsal import RehearsalRequest, rehearse_valves
    from benchrig.cli.live_line import LiveLine
    from benchrig.rehearsal.json_output import rehearsal_document
    from benchrig.rehearsal.operating_characteristic import check_place, write_picture
    from benchrig.rehearsal.rehearsal_terminal import print_rehearsal
    from benchrig.rehearsal.valve_mix import default_text

    if example_mix:
        if as_json:
            emit({"mix": default_text()})
        else:
            click.echo(default_text(), nl=False)
        return
    request = RehearsalRequest(
        valves,
        seed,
        bench_file,
        models_folder,
        mix_file,
        near_limit,
        within,
        workers,
        scheduler,
        full,
        calibrated,
        over_limits=picture is not None,
        tank=tank,
    )
    if picture is not None:
        check_place(picture)
    line = LiveLine(plain_console(stderr=True))
    with line.cleared():
        done = rehearse_valves(request, tell=_Display(line))
    if picture is not None:
        write_picture(picture, done.tally)
    if as_json:
        emit(rehearsal_document(done.tally, done.setting, workers=done.workers, wall_seconds=done.wall_s))
    else:
        print_rehearsal(done.tally, done.setting, plain_console(), most=most, wall_seconds=done.wall_s)
    sys.stdout.flush()
    if done.stopped:
        click.echo(f"Stopped by the operator: partial, {len(done.tally.results)} of {valves} valves.", err=True)
        sys.exit(3)


class _Display:
    """Shows a rehearsal: a bar, or a line each tenth where there is no terminal."""

    def __init__(self, line: LiveLine) -> None:
        self._line = line
        self._tenth = 1
        self._shown_s = -1.0

    def __call__(self, event: Event) -> None:
        """Show an event."""
        from benchrig.application.events import RehearsalBegan, RehearsalProgress, WorkersLost

        console = self._line.console
        if isinstance(event, RehearsalBegan):
            console.print(_head(event))
        elif isinstance(event, WorkersLost):
            print_workers_lost(console, event)
        elif isinstance(event, RehearsalProgress):
            if console.is_terminal:
                if event.wall_s - self._shown_s >= REFRESH_S:
                    self._line.show(_bar(event))
                    self._shown_s = event.wall_s
            elif event.of >= 100 and event.done >= self._tenth * event.of / 10:
                console.print(f"{event.done} of {event.of} valves, {event.wall_s:.0f} s")
                self._tenth = 10 * event.done // event.of + 1


def _head(began: RehearsalBegan) -> Text:
    from rich.text import Text

    head = Text("REHEARSAL", style="bold")
    many = "1 process" if began.workers == 1 else f"{began.workers} processes"
    head.append(f"   {began.valves} simulated valves, seed {began.seed}, {many}\n", style="not bold")
    mix = "the mix that comes with benchrig (half good)" if began.mix_file is None else f"the mix in {began.mix_file}"
    head.append(f"Nothing is switched or written into the store. Valves drawn from {mix}.\n", "dim")
    if began.bench_file is not None:
        said = (
            f"Of {began.bench_file}: its sequence and uncertainties, each constant put off by as much as it states. "
            "Board, meter, reservoir and transducer are the simulated bench's.\n"
        )
        head.append(said, "dim")
    return head


def _bar(so_far: RehearsalProgress) -> Text:
    from rich.text import Text

    from benchrig.cli.live_line import append_bar

    line = Text("  ")
    append_bar(line, so_far.done / so_far.of)
    line.append(f" {so_far.done} of {so_far.of}", style="bold")
    if so_far.done:
        left_s = so_far.wall_s / so_far.done * (so_far.of - so_far.done)
        line.append(f"   {so_far.wall_s:.0f} s, about {left_s:.0f} s left   ")
    if so_far.without_verdict:
        line.append(f"{so_far.without_verdict} without verdict", style="magenta")
    return line
