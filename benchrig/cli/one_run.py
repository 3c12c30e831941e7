"""What `qualify` and `demo` share: open the store, run, make page and label, say what came out."""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchrig import __version__, stop_requests
from benchrig.bench.opening import OpenedBench
from benchrig.bench.traceability import BenchKey, demand, weigh
from benchrig.catalogue import ValveModel
from benchrig.cli.output import emit
from benchrig.cli.places import pages_folder, store_path
from benchrig.clock import utc_now
from benchrig.errors import BenchError, ConfigError
from benchrig.sequencer.events import Intake, ModelFacts
from benchrig.verdict.warm import USUAL_C, speaks_of_heat

if TYPE_CHECKING:
    from rich.console import Console

    from benchrig.records import Store

__all__ = ["CAUTION", "ask_ready", "check_tag", "model_facts", "run_one"]

EXIT = {"accept": 0, "reject": 1, "undecided": 4}
TAG_LONGEST = 300

CAUTION = (
    "Caution. A used valve holds fuel: purge it with inert gas or air it outdoors first, ventilate, no sparks or "
    "flames. Use a reservoir rated for vacuum and wear eye protection; the coil gets hot. Emergency stop and guard "
    "must be wired in hardware: this program is never the safety function. Local codes and a competent, licensed "
    "person decide."
)
"""One paragraph: whoever prints it breaks it where the terminal ends."""


def check_tag(tag: str) -> str:
    """Accept any tag that can be printed; it is data, never a path or markup.

    Raises
    ------
    ConfigError
        Empty, over `TAG_LONGEST` characters, or with control characters in it.
    """
    tag = tag.strip()
    if not tag:
        raise ConfigError("The tag is empty.", hint="Give the shop's own number on the part after --tag.")
    if len(tag) > TAG_LONGEST:
        raise ConfigError(
            f"The tag has {len(tag)} characters; {TAG_LONGEST} are the most.", hint="Put the rest into --findings."
        )
    odd = next((c for c in tag if not c.isprintable()), None)
    if odd is not None:
        raise ConfigError(
            f"The tag holds the unprintable character U+{ord(odd):04X}.",
            hint="Type the tag again, or scan the label again.",
        )
    return tag


def run_one(
    store: Store,
    opened: OpenedBench,
    model: ValveModel,
    intake: Intake,
    *,
    seed: int | None,
    as_json: bool,
    allow_uncalibrated: bool = False,
    no_control: bool = False,
    barometer_kpa: float | None = None,
    yes: bool = False,
    warm_c: float | None = None,
) -> int:
    """Take one valve through the sequence and tell the outcome; return the exit status."""
    from rich.console import Console

    from benchrig.cli.operator_prompts import control_operator, ring
    from benchrig.cli.progress import ProgressLine
    from benchrig.sequencer.run import STEPS, qualify

    console = Console(stderr=True, highlight=False)
    with opened as bench:
        simulated = bench.file.bench.simulated
        if model.fictional and not simulated:
            raise ConfigError(
                f"Model {model.model} is a fictional one for the demonstration; this bench is real.",
                hint="Put the valve's own limits into a model file in the folder that 'benchrig models list' names.",
            )
        if bench.file.reservoir.hold_vacuum_kpa < model.hold_vacuum_kpa:
            raise ConfigError(
                f"Model {model.model} is held at {model.hold_vacuum_kpa:g} kPa of vacuum; this bench draws only "
                f"{bench.file.reservoir.hold_vacuum_kpa:g} kPa.",
                hint="hold_vacuum_kpa in [reservoir] of the bench file, if the pump can do more.",
            )
        standing = store.calibration_store.last_check_and_calibrations(BenchKey(bench.file.bench.name, simulated, seed))
        if standing != (None, ()):
            bench.connect()  # what was made on another board or meter does not count
        grounds = weigh(
            bench.loaded.file,
            *standing,
            utc_now(),
            present=bench.made_on,
            last_seen=store.calibration_store.last_seen(),
        )
        for remark in grounds.warnings:
            console.print(remark, style="yellow")
        demand(grounds, allow_uncalibrated=allow_uncalibrated)
        bench.rest_on(grounds)
        if barometer_kpa is not None:
            bench.enter_barometer(barometer_kpa)
        console.print(
            "Simulated bench: no hardware is switched, and the valve is made up." if simulated else CAUTION,
            style="dim" if simulated else "yellow",
        )
        if grounds.missing:
            console.print("UNCALIBRATED: every result of this run is marked so.", style="bold yellow")
        if not simulated and not yes:
            ask_ready(console)
        if warm_c is None and intake.reason == "return" and speaks_of_heat(intake.complaint):
            warm_c = _offer_warm(console)
        console.print()
        try:
            with ProgressLine(console, len(STEPS)) as line:
                finished = qualify(
                    bench,
                    model_facts(model),
                    intake,
                    sink=store.recorder(bench.feed),
                    coil_limit_s=model.coil_limit_s,
                    hold_vacuum_pa=model.hold_vacuum_kpa * 1000,
                    watcher=line,
                    seed=seed,
                    program=f"benchrig {__version__}",
                    operator=None if no_control else control_operator(console, bench, opened.hands, line),
                    control_waived=no_control,
                    warm_c=warm_c,
                )
        except (BenchError, KeyboardInterrupt) as error:
            with stop_requests.ending(), suppress(BenchError, OSError):
                number: str = getattr(error, "run", "")
                if number:
                    error.page = str(_papers(store, store.run(f"run:{number}"))[0])  # type: ignore[union-attr]  # see `speaks`
            raise
    console.print()
    ring(console)
    record = store.run(finished.number)
    page: Path | None = None
    label: Path | None = None
    try:
        page, label = _papers(store, record)
    except OSError as error:
        click.echo(
            f"The page could not be written into {pages_folder()} ({error.strerror or error}). The record is safe:\n"
            f"  free some space, then  benchrig report {record.run}",
            err=True,
        )
    from benchrig.records import run_document

    if as_json:
        emit(run_document(record, page=None if page is None else str(page)))
    else:
        from benchrig.reports.terminal import print_run, print_verdict

        out = Console(highlight=False)
        print_run(record, out, store.before(record))
        click.echo(f"\nrecord  {store_path()}  run {finished.number}")
        if page is not None:
            click.echo(f"page    {page}\nlabel   {label}")
        click.echo()
        print_verdict(record, out)
    sys.stdout.flush()
    return EXIT[finished.judgement.verdict]


def _offer_warm(console: Console) -> float | None:
    """Offer to test a part warm, of which heat is complained; None: no, or nobody to ask."""
    console.print("\nThe complaint speaks of heat.", style="bold")
    if not (sys.stdin.isatty() and console.is_terminal):
        console.print("This run tests the part cold; --warm tests it warm too.")
        return None
    console.print(
        f"Test it with its coil at {USUAL_C:g} °C too? It takes some minutes, and the coil gets hot. [Y/n] ", end=""
    )
    return None if sys.stdin.readline().strip().lower().startswith("n") else USUAL_C


def ask_ready(console: Console) -> None:
    """Ask whoever sits at the terminal, before anything is pumped; nobody is asked where there is none."""
    if not (sys.stdin.isatty() and console.is_terminal):
        return
    console.print("\nIs the part aired out, are hose and plug on, is the guard closed?", style="bold")
    console.print("Enter to begin; Ctrl-C to stop. ", style="dim", end="")
    if not sys.stdin.readline():
        raise BenchError(
            "Nobody answered: the input ended before the run began.",
            hint="Run it in a terminal, or say --yes where the part is known to be ready.",
        )


def _papers(store: Store, record: Any) -> tuple[Path, Path]:
    from benchrig.reports import write_label, write_page

    folder = pages_folder()
    return write_page(record, folder, store.before(record)), write_label(record, folder)


def model_facts(model: ValveModel) -> ModelFacts:
    """What the sequencer is told of a model."""
    return ModelFacts(
        model=model.model,
        title=model.title,
        normally=model.normally,
        rated_vacuum_kpa=model.rated_vacuum_kpa,
        guard_band=model.guard_band,
        limits=model.limits,
        fictional=model.fictional,
    )
