"""`benchrig models new`: a model file made by answering questions, or from options."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Literal, cast

import click

from benchrig.cli.output import as_json_option, emit, speaks
from benchrig.errors import ConfigError

if TYPE_CHECKING:
    from benchrig.catalogue.new_model import NewLimit

__all__ = ["new"]

ASKED = (
    "coil_resistance_20c_ohm",
    "hold_leak_sccm",
    "flow_at_rated_vacuum_lpm_anr",
    "opening_delay_ms",
    "pull_in_time_ms",
    "drop_out_time_ms",
    "click_spread_ms",
)
_HOW = "LOW..HIGH, ..HIGH or LOW.."
_RANGE = re.compile(r"\s*([0-9.eE+-]+?)?\s*\.\.\s*([0-9.eE+-]+)?\s*")


@click.command(
    "new",
    epilog="Example:  benchrig models new dogwood-12\n\nExample:  benchrig models new dogwood-12 --title 'Dogwood 12' "
    "--limit coil_resistance_20c_ohm=22..27 --limit hold_leak_sccm=..5 --limit-from 'drawing 4711, sheet 2'",
)
@click.argument("model")
@click.option("--title", help="In words, as it stands on the page.")
@click.option("--normally", type=click.Choice(["closed", "open"]), help="Its state without current.")
@click.option("--rated-vacuum-kpa", type=float, help="The vacuum at which its flow is stated. Usual: 30.")
@click.option("--limit", "given", multiple=True, metavar="NAME=LOW..HIGH", help="A limit; either side may be left out.")
@click.option("--limit-from", help="Where the limits come from: the document with its number and sheet.")
@as_json_option
@speaks
def new(
    model: str,
    title: str | None,
    normally: str | None,
    rated_vacuum_kpa: float | None,
    given: tuple[str, ...],
    limit_from: str | None,
    as_json: bool,
) -> None:
    """Make a model file. What no option says is asked for; nothing is written before all is answered."""
    from benchrig.application.new_model import write_new_model
    from benchrig.catalogue.new_model import model_text

    asking = not given and not as_json
    title = title or (click.prompt("Title, as on the page", default=model) if asking else model)
    if normally is None:
        normally = (
            click.prompt("Normally", type=click.Choice(["closed", "open"]), default="closed") if asking else "closed"
        )
    if rated_vacuum_kpa is None:
        rated_vacuum_kpa = (
            click.prompt("Flow is stated at a vacuum of, kPa", type=float, default=30.0) if asking else 30.0
        )
    if limit_from is None:
        if not asking:
            raise ConfigError(
                "--limit-from is missing: a limit that nobody can trace back settles no dispute.",
                hint="Name the document with its number and sheet.",
            )
        limit_from = click.prompt("Limits are from (document, number, sheet)")
    limits = _asked(limit_from) if asking else [_limit(*_named(each), limit_from) for each in given]
    text = model_text(
        model, title, cast("Literal['closed', 'open']", normally), limits, rated_vacuum_kpa=rated_vacuum_kpa
    )
    path, doubts = write_new_model(text)
    if as_json:
        emit({"model": model, "file": str(path), "doubts": list(doubts)})
        return
    click.echo(f"\nWritten: {path}")
    for doubt in doubts:
        click.secho(f"Doubtful: {doubt}", fg="yellow", err=True)
    click.echo(f"Look at it with 'benchrig models show {model}'.")


def _asked(limit_from: str) -> list[NewLimit]:
    from benchrig.analysis.characteristics import CHARACTERISTICS

    click.echo(f"\nLimits, as {_HOW}; Enter where there is none.")
    found = []
    for name in ASKED:
        about = CHARACTERISTICS[name]
        while answer := click.prompt(f"{about.title}, {about.unit}", default="", show_default=False).strip():
            try:
                found.append(_limit(name, answer, limit_from))
            except ConfigError as error:
                click.secho(f"{error} {error.hint}", fg="yellow", err=True)
            else:
                break
    return found


def _named(given: str) -> tuple[str, str]:
    name, sign, limits = given.partition("=")
    if not sign:
        raise ConfigError(f"--limit {given}: there is no =.", hint=f"Write it as NAME={_HOW}.")
    return name.strip(), limits


def _limit(name: str, limits: str, limit_from: str) -> NewLimit:
    from benchrig.analysis.characteristics import CHARACTERISTICS
    from benchrig.catalogue.new_model import NewLimit

    if name not in CHARACTERISTICS:
        raise ConfigError(f"--limit {name}: not a characteristic.", hint=f"There are: {', '.join(CHARACTERISTICS)}.")
    said = _RANGE.fullmatch(limits)
    sides = said.groups() if said is not None else (None, None)
    try:
        low, high = (None if side is None else float(side) for side in sides)
    except ValueError:
        low = high = None
    if low is None and high is None:
        raise ConfigError(f"{name}: {limits.strip()!r} is no limit.", hint=f"Write it as {_HOW}, for instance 22..27.")
    return NewLimit(name, low, high, limit_from)
