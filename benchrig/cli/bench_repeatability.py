"""`benchrig bench repeatability`."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchrig.cli.bench_options import instead_of_hardware
from benchrig.cli.output import as_json_option, emit, plain_console, speaks

if TYPE_CHECKING:
    from benchrig.reports.gauge_words import StudyReport

__all__ = ["repeatability"]


@click.command(
    "repeatability",
    epilog="Example:  benchrig bench repeatability --model alder-24 --simulated good\n\n"
    "Example:  benchrig bench repeatability --model MODEL --bench bench.toml --parts P1,P2,P3 --operators Kim,Lou\n\n"
    "Example:  benchrig bench repeatability --from typed-in.csv --characteristic coil_resistance_20c_ohm",
)
@click.option("--model", "model_name", help="The parts' valve model.")
@click.option("--parts", default="10", show_default=True, help="How many, or their names: P1,P2,P3. Ten are usual.")
@click.option("--operators", default="2", show_default=True, help="How many, or their names: Kim,Lou. One is allowed.")
@click.option(
    "--trials", type=click.IntRange(2, 20), default=2, show_default=True, help="How often each measures each part."
)
@click.option(
    "--steps",
    help="What to measure, of coil, hold, flow and clicks; needed steps before are added. Default: all.",
)
@click.option("--study", "study_name", help="Name to keep it under; a study of that name goes on where it stopped.")
@click.option(
    "--bench",
    "bench_file",
    type=click.Path(path_type=Path),
    help="Bench file. Default: bench.toml in the workshop's folder.",
)
@instead_of_hardware("Simulated bench and simulated parts in this condition; good when none is named.")
@click.option(
    "--severity", type=click.FloatRange(0, 1), nargs=2, help="How bad: evenly spread from the first to the second."
)
@click.option(
    "--seed", type=click.IntRange(0, 2**20), default=1, show_default=True, help="Seeds order, bench and parts."
)
@click.option(
    "--from", "values_file", type=click.Path(path_type=Path), help="Typed-in values: part,operator,trial,value."
)
@click.option("--characteristic", "only", multiple=True, help="Only this one (with --from: what the values are).")
@click.option("--unit", default="", help="With --from: the values' unit.")
@click.option("--tolerance", type=float, help="Width of the tolerance. Default: from the model's limits.")
@click.option(
    "--alpha",
    type=click.FloatRange(0, 1),
    default=0.25,
    show_default=True,
    help="Interaction is pooled when its p is above.",
)
@as_json_option
@speaks
def repeatability(
    model_name: str | None,
    parts: str,
    operators: str,
    trials: int,
    steps: str | None,
    study_name: str | None,
    bench_file: Path | None,
    simulated: str | None,
    severity: tuple[float, float] | None,
    seed: int,
    values_file: Path | None,
    only: tuple[str, ...],
    unit: str,
    tolerance: float | None,
    alpha: float,
    as_json: bool,
) -> None:
    """How much of what is seen is the bench, and how much the parts: a gauge study, parts x operators x trials.

    The program says which part goes on next, and for whom. Each measurement is kept as it is made: after a stop the
    same command goes on. Values are not shown while measuring, so that nobody measures towards them.
    """
    from benchrig.application.paths import pages_folder

    if tolerance is not None and not tolerance > 0:
        raise click.UsageError("--tolerance is a width above zero.")
    if values_file is not None:
        from benchrig.application.study_values import report_of_file

        if len(only) > 1:
            raise click.UsageError("--from holds the values of one characteristic.")
        name = study_name or re.sub(r"[^a-z0-9_-]+", "-", values_file.stem.lower()).strip("-_")[:60] or "values"
        report = report_of_file(
            values_file,
            name=name,
            characteristic=only[0] if only else "value",
            unit=unit,
            alpha=alpha,
            tolerance=tolerance,
        )
        _tell(report, pages_folder(), as_json=as_json)
        return
    if model_name is None:
        raise click.UsageError("--model is needed (or --from FILE with typed-in values).")
    if bench_file is not None and simulated is not None:
        raise click.UsageError("--bench and --simulated exclude each other: one bench at a time.")
    if severity is not None and simulated is None:
        raise click.UsageError("--severity is for simulated parts: give --simulated CONDITION too.")

    from benchrig.application.paths import home, model_folders, store_path
    from benchrig.application.repeatability import StudyRequest, run_study
    from benchrig.application.study_values import report_of_study
    from benchrig.catalogue import Catalogue
    from benchrig.cli.bench_display import show_study
    from benchrig.cli.operator_prompts import TerminalQuestions
    from benchrig.records import Store
    from benchrig.records.study_file import study_path

    valve = Catalogue(model_folders()).get(model_name)
    default = valve.model if simulated is None else f"{valve.model}-{simulated}-{seed}"
    name = study_name or re.sub(r"[^a-z0-9_-]+", "-", default.lower()).strip("-_")[:60]
    request = StudyRequest(
        name=name,
        model=valve,
        parts=_names(parts, "part", "P"),
        operators=_names(operators, "operator", "O"),
        trials=trials,
        steps=_steps(steps),
        bench_file=bench_file,
        condition=simulated,
        severity=severity,
        seed=seed,
    )
    study = run_study(
        study_path(home() / "studies", name),
        request,
        Store(store_path()),
        questions=TerminalQuestions(plain_console(stderr=True)),
        tell=show_study,
    )
    report = report_of_study(study, valve, alpha=alpha, only=only, tolerance=tolerance)
    _tell(report, pages_folder(), as_json=as_json)
    if not as_json:
        click.echo(f"study   {study.path}")


def _names(text: str, kind: str, stem: str) -> tuple[str, ...]:
    """A number, or names with commas between."""
    if text.strip().isdigit():
        count = int(text)
        if not 1 <= count <= 100:
            raise click.UsageError(f"--{kind}s: 1 to 100, not {count}.")
        return tuple(f"{stem}{k}" for k in range(1, count + 1))
    names = [name.strip() for name in text.split(",")]
    if not all(names) or not all(name.isprintable() for name in names):
        raise click.UsageError(f"--{kind}s {text!r}: a number, or names separated by commas.")
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise click.UsageError(f"--{kind}s: {', '.join(twice)} is there twice.")
    return tuple(names)


def _steps(text: str | None) -> tuple[str, ...]:
    from benchrig.sequencer.sequence import MEASURING_STEPS

    if text is None:
        return MEASURING_STEPS
    given = [name.strip() for name in text.split(",") if name.strip()]
    odd = [name for name in given if name not in MEASURING_STEPS]
    if odd or not given:
        raise click.UsageError(f"--steps {text!r}: of {', '.join(MEASURING_STEPS)}, separated by commas.")
    return tuple(name for name in MEASURING_STEPS if name in given)


def _tell(report: StudyReport, folder: Path, *, as_json: bool) -> None:
    from benchrig.reports.gauge_words import study_document
    from benchrig.reports.page_files import write_study_page

    page: Path | None = None
    try:
        page = write_study_page(report, folder)
    except OSError as error:
        click.echo(f"The page could not be written into {folder} ({error.strerror or error}).", err=True)
    if as_json:
        emit(study_document(report, page=None if page is None else str(page)))
        return

    from benchrig.reports.gauge_terminal import print_study

    print_study(report, plain_console())
    if page is not None:
        click.echo(f"\npage    {page}")
