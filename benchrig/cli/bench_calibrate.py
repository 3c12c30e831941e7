"""`benchrig bench calibrate`, `history` and `withdraw`."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchrig.bench.constants import KINDS, KINDS_OF_CALIBRATION
from benchrig.cli.bench_options import bench_options, key_of, open_asked
from benchrig.cli.output import as_json_option, emit, speaks
from benchrig.errors import ConfigError

if TYPE_CHECKING:
    from rich.console import Console

    from benchrig.bench.calibrations import Calibration
    from benchrig.bench.constants import Kind

__all__ = ["calibrate", "history", "withdraw"]


@click.command(
    "calibrate",
    epilog="Example:  benchrig bench calibrate volume --simulated\n\n"
    "Example:  benchrig bench calibrate shunt --bench bench.toml --operator 'R. Counter'",
)
@click.argument("kind", type=click.Choice(KINDS))
@bench_options
@click.option(
    "--by",
    "way",
    type=click.Choice([way for each in KINDS_OF_CALIBRATION.values() if len(each.ways) > 1 for way in each.ways]),
    help="Volume only: by a known volume (vessel), or by the reference leak. Left out: vessel.",
)
@click.option("--yes", is_flag=True, help="Keep it even when a constant moves by more than a tenth.")
@as_json_option
@speaks
def calibrate(
    kind: Kind,
    bench_file: Path | None,
    simulated: str | None,
    seed: int,
    faults: tuple[str, ...],
    operator: str | None,
    way: str | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Measure one constant of the bench against a reference, guided, and keep it with its uncertainty and expiry.

    Until it is kept the old constant stands; what was kept is never changed or taken away ('history', 'withdraw').
    """
    from rich.console import Console

    from benchrig.bench.traceability import weigh
    from benchrig.cli.operator_prompts import operator_for
    from benchrig.cli.places import store_path
    from benchrig.cli.qualify import who
    from benchrig.clock import utc_now
    from benchrig.records import Store
    from benchrig.reports.bench_text import calibration_document, print_calibration
    from benchrig.sequencer.calibration.calibrate import METHODS
    from benchrig.sequencer.calibration.calibrate import calibrate as take

    ways = KINDS_OF_CALIBRATION[kind].ways
    if way is not None and way not in ways:
        raise click.UsageError("--by is for volume; the others have one way each.")
    method = next(each for each in METHODS if each.kind == kind and each.name == (way or ways[0]))
    console = Console(stderr=True, highlight=False)
    store = Store(store_path())
    with open_asked(bench_file, simulated=simulated, seed=seed, faults=faults) as opened:
        bench = opened.bench
        key = key_of(bench, seed if simulated is not None else None)
        bench.connect()
        bench.rest_on(
            weigh(bench.loaded.file, None, store.calibration_store.calibrations(key), utc_now(), present=bench.made_on)
        )
        prompts = operator_for(console, bench, opened.hands)
        console.print(f"{method.title}; {bench.file.bench.name}{', simulated' if simulated else ''}.\n", style="bold")
        try:
            found = take(method, bench, prompts, operator_name=who(operator), now=utc_now())
        except KeyboardInterrupt:
            click.echo("Nothing was kept: the constants in use until now stand.", err=True)
            raise
        finally:
            prompts.still()
    _agree(found, yes=yes, console=console)
    kept = store.calibration_store.keep_calibration(key, replace(found, made_on=bench.made_on))
    if as_json:
        emit(calibration_document(kept, key))
    print_calibration(kept, console)


def _agree(found: Calibration, *, yes: bool, console: Console) -> None:
    """A constant that moves by more than a tenth is asked about: most often the reference, not the bench, is wrong.

    Raises
    ------
    ConfigError
        The answer is no, or nobody can be asked.
    """
    from benchrig.sequencer.calibration.calibrate import MOVED_MOST

    if yes or found.moved <= MOVED_MOST:
        return
    place, _ = found.moved_most
    was, now = found.before[place], found.constants[place]
    said = f"{now.name} moves from {was.value:.4g} to {now.value:.4g} {now.unit}, by {100 * found.moved:.0f} %"
    if sys.stdin.isatty():
        console.print(f"\n{said}; over {100 * MOVED_MOST:.0f} % is most often a wrong reference.", style="yellow")
        if click.confirm("Keep it?", default=False, err=True):
            return
        raise ConfigError(
            "Not kept: the constant in use until now stands.", hint="Is it the right reference, and tight?"
        )
    raise ConfigError(
        f"{said}; more than {100 * MOVED_MOST:.0f} % is not kept unasked. The constant in use until now stands.",
        hint="Is it the right reference, and do its figures in the bench file agree with its certificate? Then --yes.",
    )


@click.command("history", epilog="Example:  benchrig bench history --kind volume")
@click.option("--kind", type=click.Choice([*KINDS, "check"]))
@as_json_option
@speaks
def history(kind: str | None, as_json: bool) -> None:
    """List all calibrations and the last bench checks, of all benches. Nothing is ever taken out of this list."""
    from rich.console import Console

    from benchrig.cli.places import store_path
    from benchrig.records import Store
    from benchrig.reports.bench_text import calibration_document, print_history

    trust = Store(store_path(), reading=True).calibration_store
    found = [] if kind == "check" else [c for c in trust.calibrations() if kind in (None, c.kind)]
    checks = trust.checks() if kind in (None, "check") else ()
    damaged = trust.faults()
    if as_json:
        calibrations: list[dict[str, Any]] = [
            calibration_document(each, trust.calibration(each.name)[0]) for each in found
        ]
        listed = [
            {"check": c.name, "passed": c.passed, "ended": c.ended.isoformat(), "operator": c.operator} for c in checks
        ]
        emit({"calibrations": calibrations, "checks": listed, "damaged": list(damaged)})
        return
    print_history(found, checks, Console(highlight=False))
    for line in damaged:
        click.echo(f"DAMAGED: {line}", err=True)


@click.command("withdraw", epilog="Example:  benchrig bench withdraw cal-0003 --reason 'the vessel was dented'")
@click.argument("calibration")
@click.option("--reason", required=True, help="Why it was wrong.")
@click.option("--operator", default=None, help="Who says so. Left out: the computer's user.")
@click.option("--yes", is_flag=True, help="Do not ask.")
@as_json_option
@speaks
def withdraw(calibration: str, reason: str, operator: str | None, yes: bool, as_json: bool) -> None:
    """Say that a calibration was found wrong: it stays in the history, counts no more, and its runs are listed."""
    from benchrig.bench.calibrations import Withdrawal
    from benchrig.cli.places import store_path
    from benchrig.cli.qualify import who
    from benchrig.clock import utc_now
    from benchrig.records import Store

    if not reason.strip():
        raise ConfigError("The reason is empty.", hint="Say why: whoever reads the history will ask.")
    store = Store(store_path())
    key, found = store.calibration_store.calibration(calibration)
    if not yes and sys.stdin.isatty():
        click.echo(
            f"{found.name}: {found.kind} of {key.name}, made {found.made.astimezone():%Y-%m-%d %H:%M}.", err=True
        )
        if not click.confirm("Withdraw it? It cannot be taken back.", default=False, err=True):
            raise ConfigError("Nothing was withdrawn.", hint="Calibrate anew if the constant is in doubt.")
    store.calibration_store.withdraw(found.number, Withdrawal(utc_now(), who(operator), reason.strip()))
    runs = store.runs(limit=1_000_000, calibration=found.number)
    if as_json:
        emit({"withdrawn": found.name, "kind": found.kind, "bench": key.name, "runs": [run.run for run in runs]})
        return
    click.echo(f"{found.name} ({found.kind} of {key.name}) is withdrawn and counts no more.")
    if runs:
        tags = f"{len(runs)} run{'s' if len(runs) > 1 else ''} rested on it"
        click.echo(f"{tags}; 'benchrig records list --rests-on {found.name}' lists them.")
    else:
        click.echo("No run rested on it.")
