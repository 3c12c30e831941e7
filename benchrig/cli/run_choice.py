"""Options that say which runs are wanted, alike for all commands that take some."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from benchrig.records import Store
    from benchrig.records.run_list import RunsWanted

__all__ = ["runs_wanted", "which_runs"]

_OPTIONS = (
    click.option("--tag", help="Only this part."),
    click.option("--model", help="Only this valve model."),
    click.option(
        "--verdict", type=click.Choice(["accept", "reject", "undecided", "aborted"]), help="Only runs that ended so."
    ),
    click.option("--cause", help="Only runs with this likely cause, e.g. 'seat leak'."),
    click.option("--from", "since", metavar="DATE", help="Only runs begun on this day or later, e.g. 2026-11-27."),
    click.option("--to", "until", metavar="DATE", help="Only runs begun on this day or before."),
    click.option("--batch", help="Only parts of this batch, e.g. '2026-11-27 alder-24'."),
    click.option("--bench", "bench_name", help="Only runs of the bench of this name."),
    click.option("--real/--only-simulated", "real", default=None, help="Only runs on real, or on simulated benches."),
    click.option(
        "--rests-on",
        metavar="NAME",
        help="Only runs that rested on this calibration (cal-0003) or bench check (check-0007).",
    ),
)


def which_runs(command: Any) -> Any:
    """Add the options; the command gets them by name and hands them to `runs_wanted`."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def runs_wanted(
    store: Store,
    *,
    tag: str | None,
    model: str | None,
    verdict: str | None,
    cause: str | None,
    since: str | None,
    until: str | None,
    batch: str | None,
    bench_name: str | None,
    real: bool | None,
    rests_on: str | None,
) -> RunsWanted:
    """What the options say. A tag may be what a scanner reads from a label. Raises ConfigError."""
    from benchrig.records.run_list import RunsWanted, day_from, day_to

    calibration, check = _ground(store, rests_on)
    return RunsWanted(
        tag=None if tag is None else store.tag_of(tag),
        model=model,
        verdict=verdict,  # type: ignore[arg-type]  # one of the choices
        cause=cause,
        batch=batch,
        bench=bench_name,
        since=None if since is None else day_from(since),
        before=None if until is None else day_to(until),
        simulated=None if real is None else not real,
        calibration=calibration,
        check=check,
    )


def _ground(store: Store, named: str | None) -> tuple[int | None, int | None]:
    """The calibration or the check that is named, as numbers; it must be there. Says so when it was withdrawn."""
    if named is None:
        return None, None
    if named.strip().startswith("check"):
        store.calibration_store.check(named)
        return None, int(named.strip().removeprefix("check-"))
    _, calibration = store.calibration_store.calibration(named)
    if calibration.withdrawal is not None:
        gone = calibration.withdrawal
        by = f"on {gone.at:%Y-%m-%d} by {gone.operator}: {gone.reason}"
        click.echo(f"{calibration.name} ({calibration.kind}) was withdrawn {by}", err=True)
    return calibration.number, None
