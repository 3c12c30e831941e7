"""`benchrig rehearse`."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchrig.cli.output import as_json_option, emit, speaks
from benchrig.errors import BenchError, ConfigError

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

    from benchrig.rehearsal.mix import Mix
    from benchrig.rehearsal.one_valve import Allowed, Result, Setting
    from benchrig.rehearsal.plan import Entry

__all__ = ["rehearse"]

MOST_VALVES = 1_000_000
SHOWN = 20
_BAR = 24


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
    help="Take the sequence and the uncertainties from this bench file. Left out: the simulated bench's own.",
)
@click.option(
    "--models",
    "models_folder",
    type=click.Path(path_type=Path),
    help="Folder of model files whose limits go before those of the same name elsewhere.",
)
@click.option(
    "--mix",
    "mix_file",
    type=click.Path(path_type=Path),
    help="How often each model and condition comes in, and how bad. Left out: half of them good.",
)
@click.option(
    "--near-limit",
    is_flag=True,
    help="Valves whose leak or flow is 0.7 to 1.3 times its limit, in place of the mix's conditions.",
)
@click.option(
    "--within",
    is_flag=True,
    help="Draw the bench's constants only within what its file states, not from the distributions that it states.",
)
@click.option("--example-mix", is_flag=True, help="Print a mix file to start from, and leave.")
@click.option(
    "--workers",
    type=click.IntRange(1, 256),
    default=None,
    help="Processes. Left out: one for each core of this computer.",
)
@click.option(
    "--misses",
    "most",
    type=click.IntRange(0),
    default=SHOWN,
    show_default=True,
    help="How many misses to tell one by one.",
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
    within: bool,
    example_mix: bool,
    workers: int | None,
    most: int,
    as_json: bool,
) -> None:
    """Simulated valves of known condition through the sequence: what error rates your limits and instruments give.

    Nothing is switched, and nothing is written into the store: the records are kept in memory and let go.
    """
    from dataclasses import replace

    from rich.console import Console

    from benchrig.clock import RealClock
    from benchrig.rehearsal.crew import usable_cores
    from benchrig.rehearsal.document import document
    from benchrig.rehearsal.mix import default_mix, default_text, load_mix
    from benchrig.rehearsal.plan import draw_entry, draw_near_limit
    from benchrig.rehearsal.tally import Tally
    from benchrig.rehearsal.terminal import print_rehearsal

    if example_mix:
        if as_json:
            emit({"mix": default_text()})
        else:
            click.echo(default_text(), nl=False)
        return
    mix = default_mix() if mix_file is None else load_mix(mix_file)
    setting = replace(_setting(mix, seed, bench_file, models_folder), as_stated=not within)
    _check_mix(mix)
    if near_limit:
        limits = {name: allowed.facts.limits for name, allowed in setting.allowed.items()}
        entries = [draw_near_limit(mix, limits, seed, index) for index in range(valves)]
    else:
        entries = [draw_entry(mix, seed, index) for index in range(valves)]
    crew = min(workers or usable_cores(), valves)
    clock = RealClock()
    console = Console(stderr=True, highlight=False)
    head = _head(valves, seed, crew, mix_file, bench_file)
    began_s = clock.now()
    results, stopped = _run(setting, entries, crew, console, head)
    wall_s = clock.now() - began_s
    tally = Tally.of(results, valves)
    if as_json:
        emit(document(tally, setting, workers=crew, wall_seconds=wall_s))
    else:
        print_rehearsal(tally, setting, Console(highlight=False), most=most, wall_seconds=wall_s)
    sys.stdout.flush()
    if stopped:
        click.echo(f"Stopped by the operator: partial, {len(results)} of {valves} valves.", err=True)
        sys.exit(3)


def _setting(mix: Mix, seed: int, bench_file: Path | None, models_folder: Path | None) -> Setting:
    from benchrig.bench.file import load_bench_file
    from benchrig.rehearsal.one_valve import Setting

    bench = None if bench_file is None else load_bench_file(bench_file).file
    return Setting(seed, {name: _allowed(name, models_folder) for name in mix.models}, bench)


def _allowed(name: str, folder: Path | None) -> Allowed:
    from benchrig.application.paths import model_folders
    from benchrig.catalogue import Catalogue
    from benchrig.rehearsal.one_valve import Allowed
    from benchrig.sequencer.events import model_facts

    if folder is not None and not folder.is_dir():
        raise ConfigError(f"Model folder {folder}: there is no such folder.", hint="Check the path after --models.")
    own = None if folder is None else Catalogue((folder,))
    if own is not None and name in {each.model for each in own.all()}:
        model = own.get(name)
    else:
        model = Catalogue(model_folders()).get(name)
    return Allowed(model_facts(model), model.coil_limit_s, model.hold_vacuum_kpa * 1000)


def _check_mix(mix: Mix) -> None:
    """Whether the simulated bench knows all that is in the mix; everything it does not is told at once."""
    from benchrig.bench.opening import open_registered
    from benchrig.rehearsal.mix import SOUND
    from benchrig.rehearsal.one_valve import BENCH, options
    from benchrig.rehearsal.plan import Entry

    first_model, first_condition = next(iter(mix.models)), "good"
    asked = [Entry(0, name, first_condition, None, 1) for name in mix.models]
    for name, share in mix.conditions.items():
        asked.append(Entry(0, first_model, name, None if share.severity is None else share.severity[0], 1))
    for name in mix.circumstances:
        if name != SOUND:
            asked.append(Entry(0, first_model, first_condition, None, 1, faults=(f"{name}@0",)))
    wrong: dict[str, None] = {}
    for entry in asked:
        try:
            with open_registered(BENCH, options(entry)):
                pass
        except ConfigError as error:
            wrong[str(error)] = None
    if wrong:
        raise ConfigError("\n".join(wrong), hint="Mend [models], [conditions] and [circumstances] of the mix file.")


def _head(valves: int, seed: int, crew: int, mix_file: Path | None, bench_file: Path | None) -> Text:
    from rich.text import Text

    head = Text("REHEARSAL", style="bold")
    many = "1 process" if crew == 1 else f"{crew} processes"
    head.append(f"   {valves} simulated valves, seed {seed}, {many}\n", style="not bold")
    mix = "the mix that comes with benchrig (half good)" if mix_file is None else f"the mix in {mix_file}"
    head.append(f"Nothing is switched or written into the store. Valves drawn from {mix}.\n", "dim")
    if bench_file is not None:
        said = (
            f"Of {bench_file}: its sequence and uncertainties, each constant put off by as much as it states. "
            "Board, meter, reservoir and transducer are the simulated bench's.\n"
        )
        head.append(said, "dim")
    return head


def _run(setting: Setting, entries: list[Entry], crew: int, console: Console, head: Text) -> tuple[list[Result], bool]:
    """All results, or those there are when the operator stops it."""
    from contextlib import closing

    from benchrig.clock import RealClock
    from benchrig.rehearsal import crew as workers
    from benchrig.rehearsal.one_valve import rehearse_one

    results: list[Result] = []
    try:
        with closing(workers.rehearse(setting, entries, task=rehearse_one, workers=crew, clock=RealClock())) as coming:
            console.print(head)
            _collect(coming, results, len(entries), console)
    except KeyboardInterrupt:
        return results, True
    except RuntimeError as error:
        raise BenchError(f"The rehearsal cannot run: {error}.", hint="Try --workers 1; is memory short?") from error
    return results, False


def _collect(coming: Iterable[Result | None], results: list[Result], of: int, console: Console) -> None:
    from rich.live import Live

    from benchrig.clock import RealClock

    clock = RealClock()
    began_s = clock.now()
    live = Live(console=console, auto_refresh=False, transient=True) if console.is_terminal else None
    tenth = 1
    shown_s = -1.0
    if live is not None:
        live.start()
    try:
        for result in coming:
            if result is not None:
                results.append(result)
            now_s = clock.now() - began_s
            if live is not None and now_s - shown_s >= 0.1:
                live.update(_line(results, of, now_s), refresh=True)
                shown_s = now_s
            elif live is None and of >= 100 and len(results) >= tenth * of / 10:
                console.print(f"{len(results)} of {of} valves, {now_s:.0f} s")
                tenth = 10 * len(results) // of + 1
    finally:
        if live is not None:
            live.stop()


def _line(results: list[Result], of: int, now_s: float) -> Text:
    from rich.text import Text

    done = len(results)
    full = round(done / of * _BAR)
    line = Text("  ")
    line.append("━" * full, style="cyan")
    line.append("─" * (_BAR - full), style="dim")
    line.append(f" {done} of {of}", style="bold")
    if done:
        line.append(f"   {now_s:.0f} s, about {now_s / done * (of - done):.0f} s left   ")
    wrong = sum(result.judgement is None for result in results)
    if wrong:
        line.append(f"{wrong} without verdict", style="magenta")
    return line
