"""`benchrig demo`."""

from __future__ import annotations

import sys

import click

from benchrig.cli.bench_options import GOOD, instead_of_hardware
from benchrig.cli.output import as_json_option, speaks

__all__ = ["demo"]


@click.command(epilog="Example:  benchrig demo --simulated seat-leak")
@instead_of_hardware("What is wrong with the simulated valve: stuck-closed, seat-leak and others.", default=GOOD)
@click.option("--model", default="alder-24", show_default=True, help="One of the fictional models.")
@click.option(
    "--seed",
    type=click.IntRange(0, 2**32 - 1),
    default=1,
    show_default=True,
    help="Seed of the simulated valve and its noise.",
)
@as_json_option
@speaks
def demo(simulated: str, model: str, seed: int, as_json: bool) -> None:
    """One valve through the simulated bench: record, page and label at the end. Nothing to configure, no hardware."""
    from benchrig.application.bench_choice import BenchChoice, open_bench
    from benchrig.application.paths import model_folders, store_path
    from benchrig.application.qualification import QualificationRequest, qualify_valve
    from benchrig.catalogue import Catalogue
    from benchrig.cli.one_run import shown_run, tell_outcome
    from benchrig.records import Store
    from benchrig.sequencer.events import Intake

    valve = Catalogue(model_folders()).get(model)
    intake = Intake(
        "DEMO-1", valve.model, "core", "demo", "engine light on, fuel smell after filling up", "light dust at the ports"
    )
    choice = BenchChoice(simulated={"model": valve.model, "condition": simulated, "seed": seed, "faults": []})
    request = QualificationRequest(valve, intake, seed=choice.seed)
    store, opened = Store(store_path()), open_bench(choice)
    with shown_run() as (questions, tell):
        done = qualify_valve(store, opened, request, questions=questions, tell=tell)
    sys.exit(tell_outcome(done, as_json=as_json))
