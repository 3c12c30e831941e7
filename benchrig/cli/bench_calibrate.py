"""`benchrig bench calibrate`, `history` and `withdraw`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchrig.bench.constants import KINDS, KINDS_OF_CALIBRATION
from benchrig.cli.bench_options import bench_options, chosen_bench, who
from benchrig.cli.output import as_json_option, emit, plain_console, speaks
from benchrig.cli.shared_store import deliver_after
from benchrig.errors import ConfigError

if TYPE_CHECKING:
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
    help="Volume only: by a known volume (vessel), or by the reference leak. Default: vessel.",
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
    tank: bool,
    operator: str | None,
    way: str | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Measure one constant of the bench against a reference, guided, and keep it with its uncertainty and expiry.

    Until it is kept the old constant stands; what was kept is never changed or taken away ('history', 'withdraw').
    """
    from benchrig.application.bench_choice import open_bench
    from benchrig.application.calibration import calibrate_bench, method_for
    from benchrig.application.paths import store_path
    from benchrig.cli.bench_display import BenchDisplay
    from benchrig.cli.live_line import LiveLine
    from benchrig.cli.operator_prompts import TerminalQuestions
    from benchrig.records import Store
    from benchrig.reports.bench_text import calibration_document, print_calibration

    if way is not None and way not in KINDS_OF_CALIBRATION[kind].ways:
        raise click.UsageError("--by is for volume; the others have one way each.")
    console = plain_console(stderr=True)
    store = Store(store_path())
    choice = chosen_bench(bench_file, simulated=simulated, seed=seed, faults=faults, tank=tank)
    line = LiveLine(console)
    with line.cleared():
        key, kept = calibrate_bench(
            store,
            open_bench(choice),
            method_for(kind, way),
            operator_name=who(operator),
            seed=choice.seed,
            keep_whatever=yes,
            questions=TerminalQuestions(console, line),
            tell=BenchDisplay(console, line),
        )
    if as_json:
        emit(calibration_document(kept, key))
    print_calibration(kept, console)
    deliver_after(store)


@click.command("history", epilog="Example:  benchrig bench history --kind volume")
@click.option("--kind", type=click.Choice([*KINDS, "check"]))
@as_json_option
@speaks
def history(kind: str | None, as_json: bool) -> None:
    """List all calibrations and the last bench checks, of all benches. Nothing is ever taken out of this list."""
    from benchrig.application.paths import store_path
    from benchrig.records import Store
    from benchrig.reports.bench_text import calibration_document, print_history

    kept = Store(store_path(), reading=True).calibration_store
    found = [] if kind == "check" else [each for each in kept.calibrations_with_bench() if kind in (None, each[1].kind)]
    checks = kept.checks() if kind in (None, "check") else ()
    damaged = kept.faults()
    if as_json:
        calibrations: list[dict[str, Any]] = [calibration_document(each, key) for key, each in found]
        listed = [
            {"check": c.name, "passed": c.passed, "ended": c.ended.isoformat(), "operator": c.operator} for c in checks
        ]
        emit({"calibrations": calibrations, "checks": listed, "damaged": list(damaged)})
        return
    print_history([each for _, each in found], checks, plain_console())
    for line in damaged:
        click.echo(f"DAMAGED: {line}", err=True)


@click.command("withdraw", epilog="Example:  benchrig bench withdraw cal-0003 --reason 'the vessel was dented'")
@click.argument("calibration")
@click.option("--reason", required=True, help="Why it was wrong.")
@click.option("--operator", default=None, help="Who says so. Default: the computer's user.")
@click.option("--yes", is_flag=True, help="Do not ask.")
@as_json_option
@speaks
def withdraw(calibration: str, reason: str, operator: str | None, yes: bool, as_json: bool) -> None:
    """Say that a calibration was found wrong: it stays in the history, no longer counts, and its runs are listed."""
    from benchrig.application.calibration import withdraw_calibration
    from benchrig.application.paths import store_path
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
    gone = withdraw_calibration(store, found.name, operator_name=who(operator), reason=reason)
    deliver_after(store)
    if as_json:
        emit({"withdrawn": found.name, "kind": found.kind, "bench": key.name, "runs": list(gone.runs)})
        return
    click.echo(f"{found.name} ({found.kind} of {key.name}) is withdrawn and no longer counts.")
    if gone.runs:
        tags = f"{len(gone.runs)} run{'s' if len(gone.runs) > 1 else ''} rested on it"
        click.echo(f"{tags}; 'benchrig records list --rests-on {found.name}' lists them.")
    else:
        click.echo("No run rested on it.")
