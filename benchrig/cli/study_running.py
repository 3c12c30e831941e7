"""Take the parts of a gauge study over the bench, one after the other, as the study's plan says."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from benchrig.bench.bench import Bench
from benchrig.catalogue import ValveModel
from benchrig.errors import BenchError, ConfigError
from benchrig.records.study_file import StudyFile, StudyPlan, planned_order

__all__ = ["Wanted", "run_study"]

TRIES_SEED = 100_003
"""Keeps the seeds of one study's measurements apart from those of another."""


@dataclass(frozen=True)
class Wanted:
    """What was asked for on the command line. `condition` is that of simulated parts; None: a real bench."""

    name: str
    model: ValveModel
    parts: tuple[str, ...]
    operators: tuple[str, ...]
    trials: int
    steps: tuple[str, ...]
    bench_file: Path | None
    condition: str | None
    severity: tuple[float, float] | None
    seed: int

    @property
    def setting(self) -> dict[str, Any]:
        """How simulated parts are drawn."""
        if self.condition is None:
            return {}
        return {
            "condition": self.condition,
            "severity": None if self.severity is None else list(self.severity),
            "seed": self.seed,
        }

    def simulated_options(self, part: str, number: int) -> dict[str, object]:
        """Options of the simulated bench for one part, on the bench for the `number`-th time in the study."""
        position = self.parts.index(part)
        options: dict[str, object] = {
            "model": self.model.model,
            "condition": self.condition,
            "seed": self.seed * TRIES_SEED + number,
            "valve_seed": self.seed * TRIES_SEED + position,
            "bench_seed": self.seed,
        }
        if self.severity is not None:
            low, high = self.severity
            options["severity"] = low + (high - low) * position / max(1, len(self.parts) - 1)
        return options


def run_study(path: Path, wanted: Wanted) -> StudyFile:
    """Measure what is left to measure, and give back the study's file.

    Raises
    ------
    ConfigError
        A study of that name is about something else, or the bench cannot be opened.
    BenchError
        Something is wrong with the bench. What was measured is kept.
    """
    with _open(wanted) as bench:
        study = _study_file(path, wanted, bench)
        left = study.left
        whole = len(study.plan.order)
        if not left:
            click.echo(
                f"Study {wanted.name} is complete: {whole} measurements. Another --study NAME begins a new one.",
                err=True,
            )
            return study
        if len(left) < whole:
            click.echo(f"Study {wanted.name} goes on: {whole - len(left)} of {whole} are measured.", err=True)
        if wanted.condition is not None:
            click.echo(
                "Simulated parts on one simulated bench. Between measurements a part's plug is taken off and put on "
                "again;\nsimulated operators do nothing differently, so what is seen between them is chance.\n",
                err=True,
            )
        else:
            from benchrig.cli.one_run import CAUTION

            click.echo(textwrap.fill(CAUTION, shutil.get_terminal_size().columns) + "\n", err=True)
        numbers = {cell: k for k, cell in enumerate(study.plan.order)}
        try:
            for cell in left:
                _one(study, wanted, bench, cell, numbers[cell])
        except (BenchError, KeyboardInterrupt, click.Abort) as stop:
            done = whole - len(study.left)
            click.echo(f"\n{done} of {whole} measurements are kept; the same command goes on from there.", err=True)
            if isinstance(stop, click.Abort):  # Ctrl-C or the end of the input at the prompt
                raise KeyboardInterrupt from stop
            raise
    return study


def _one(study: StudyFile, wanted: Wanted, bench: Bench | None, cell: tuple[str, str, int], number: int) -> None:
    from benchrig.bench.opening import open_registered
    from benchrig.clock import utc_now

    part, operator, trial = cell
    place = f"{number + 1} of {len(study.plan.order)}"
    if bench is None:
        with open_registered("simulated", wanted.simulated_options(part, number)) as simulated:
            found = _measure(wanted, simulated)
        click.echo(f"  {place:>10}   part {part:<8} {operator:<12} trial {trial}", err=True)
    else:
        click.echo(f"\n{place}   Operator {operator}: put part {part} on the bench, hoses and plug.", err=True)
        click.prompt(
            "          Enter when it is on; Ctrl-C to stop for now",
            default="",
            show_default=False,
            prompt_suffix=" ",
            err=True,
        )
        found = _measure(wanted, bench)
        click.echo("          measured; take it off.", err=True)
    study.add(cell, utc_now(), found.characteristics, found.notes)


def _measure(wanted: Wanted, bench: Bench) -> Any:
    from benchrig.cli.one_run import model_facts
    from benchrig.sequencer.measuring import measure_only

    return measure_only(
        bench,
        model_facts(wanted.model),
        steps=wanted.steps,
        coil_limit_s=wanted.model.coil_limit_s,
        hold_vacuum_pa=wanted.model.hold_vacuum_kpa * 1000,
    )


@contextmanager
def _open(wanted: Wanted) -> Iterator[Bench | None]:
    """The real bench, open from the first part to the last; None for simulated parts, which bring theirs along."""
    if wanted.condition is not None:
        yield None
        return
    from benchrig.cli.bench_options import open_asked

    with open_asked(wanted.bench_file, simulated=None, seed=0) as opened:
        bench = opened.bench
        if wanted.model.fictional and not bench.file.bench.simulated:
            raise ConfigError(
                f"Model {wanted.model.model} is a fictional one for the demonstration; this bench is real.",
                hint="Put the valve's own limits into a model file in the folder that 'benchrig models list' names.",
            )
        _rest(bench)
        yield bench


def _rest(bench: Bench) -> None:
    """Calibrated constants, as far as there are any in date; a study asks for none."""
    from benchrig.bench.traceability import weigh
    from benchrig.cli.bench_options import key_of
    from benchrig.cli.places import store_path
    from benchrig.clock import utc_now
    from benchrig.records import Store

    store = Store(store_path())
    bench.rest_on(weigh(bench.loaded.file, None, store.calibration_store.calibrations(key_of(bench, None)), utc_now()))


def _study_file(path: Path, wanted: Wanted, bench: Bench | None) -> StudyFile:
    from benchrig.clock import utc_now

    plan = StudyPlan(
        name=wanted.name,
        model=wanted.model.model,
        bench="simulated bench" if bench is None else bench.file.bench.name,
        simulated=bench is None or bench.file.bench.simulated,
        parts=wanted.parts,
        operators=wanted.operators,
        trials=wanted.trials,
        steps=wanted.steps,
        order=planned_order(wanted.parts, wanted.operators, wanted.trials, seed=wanted.seed),
        begun=utc_now(),
        setting=wanted.setting,
    )
    if not path.exists():
        if len(wanted.parts) < 2:
            raise ConfigError("A study needs at least 2 parts.", hint="--parts 10, or --parts P1,P2,P3.")
        return StudyFile.begin(path, plan)
    study = StudyFile.read(path)
    differs = study.plan.same_study(plan)
    if differs:
        raise ConfigError(
            f"There is a study {wanted.name} already, with other {', '.join(differs)}.",
            hint="Another --study NAME begins a new one; the same options as before go on with that one.",
        )
    return study
