"""`benchrig models`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from benchrig.cli.lazy_group import LazyGroup
from benchrig.cli.output import as_json_option, emit, plain_console, speaks

__all__ = ["models"]


_MORE = {
    "new": ("benchrig.cli.models_new:new", "A model file of your own, by questions or from options."),
    "match": ("benchrig.cli.models_match:match", "Which models a run's part could be of."),
    "learn": ("benchrig.cli.models_learn:learn", "Limits from known-good parts that were measured here."),
}


@click.group(cls=LazyGroup, lazy=_MORE)
def models() -> None:
    """Valve models and their limits."""


@models.command("check", epilog="Example:  benchrig models check\n\nExample:  benchrig models check other/models")
@click.argument("folders", nargs=-1, type=click.Path(exists=True, file_okay=False, path_type=Path))
@as_json_option
@speaks
def check(folders: tuple[Path, ...], as_json: bool) -> None:
    """Look through all model files: every mistake in every file, and what may be meant otherwise.

    Without FOLDERS, the workshop's own and the demonstration's. Exit status 2 when a file cannot be used.
    """
    from benchrig.application.new_model import check_models

    found = check_models(folders or None)
    if as_json:
        emit(
            {
                "models": [model.model for model in found.models],
                "mistakes": [{"error": str(error), "hint": error.hint} for error in found.wrong],
                "doubts": [{"model": model, "doubt": doubt} for model, doubt in found.doubts],
            }
        )
    else:
        for error in found.wrong:
            click.secho(f"{error}", fg="red")
            click.echo(f"  Check: {error.hint}\n")
        for model, doubt in found.doubts:
            click.secho(f"{model}: {doubt}", fg="yellow")
        said = f"{len(found.models)} models can be used" if len(found.models) != 1 else "1 model can be used"
        files = "no file is wrong" if not found.wrong else f"{len(found.wrong)} cannot, as told above"
        click.echo(
            f"{said}; {files}; {len(found.doubts) or 'no'} doubts."
            if found.doubts or found.wrong
            else f"{said}; {files}."
        )
    if found.wrong:
        sys.exit(2)


@models.command("list", epilog="Example:  benchrig models list --json")
@as_json_option
@speaks
def list_(as_json: bool) -> None:
    """List the valve models, the workshop's own and the demonstration's."""
    from benchrig.application.paths import model_folders
    from benchrig.catalogue import Catalogue

    found, wrong = Catalogue(model_folders()).readable()
    for error in wrong:
        click.echo(f"{error}\n  Check: {error.hint}", err=True)
    if as_json:
        emit([_document(model) for model in found])
        return
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, header_style="dim")
    for heading in ("model", "title", "normally", "rated vacuum", "limits", ""):
        table.add_column(heading)
    for model in found:
        table.add_row(
            Text(model.model),
            Text(model.title),
            model.normally,
            f"{model.rated_vacuum_kpa:g} kPa",
            str(len(model.limits)),
            Text("fictional" if model.fictional else "", style="dim"),
        )
    console = plain_console()
    console.print(table)
    click.echo(f"\nYour own models: one TOML file each in {model_folders()[0]}", err=True)


@models.command("show", epilog="Example:  benchrig models show alder-24")
@click.argument("model")
@as_json_option
@speaks
def show(model: str, as_json: bool) -> None:
    """Show one model's limits and where they come from."""
    from benchrig.analysis.characteristics import CHARACTERISTICS
    from benchrig.application.paths import model_folders
    from benchrig.catalogue import Catalogue

    valve = Catalogue(model_folders()).get(model)
    if as_json:
        emit(_document(valve))
        return
    from rich.table import Table
    from rich.text import Text

    console = plain_console()
    console.print(Text(f"{valve.model}   {valve.title}", style="bold"))
    console.print(
        f"normally {valve.normally}, rated vacuum {valve.rated_vacuum_kpa:g} kPa, guard band {valve.guard_band}"
    )
    if valve.notes:
        console.print(Text(valve.notes))
    console.print()
    table = Table(box=None, pad_edge=False, header_style="dim")
    for heading in ("characteristic", "low", "high", "unit", "limit from"):
        table.add_column(heading, justify="right" if heading in ("low", "high") else "left")
    for limit in valve.limits:
        about = CHARACTERISTICS[limit.name]
        table.add_row(
            about.title,
            "" if limit.low is None else f"{limit.low:g}",
            "" if limit.high is None else f"{limit.high:g}",
            about.unit,
            Text(limit.limit_from),
        )
    console.print(table)


def _document(model: object) -> dict[str, object]:
    from dataclasses import asdict

    from benchrig.catalogue import ValveModel

    assert isinstance(model, ValveModel)
    return {
        "model": model.model,
        "title": model.title,
        "normally": model.normally,
        "fictional": model.fictional,
        "rated_vacuum_kpa": model.rated_vacuum_kpa,
        "hold_vacuum_kpa": model.hold_vacuum_kpa,
        "coil_limit_s": model.coil_limit_s,
        "guard_band": model.guard_band,
        "limits": [asdict(limit) for limit in model.limits],
    }
