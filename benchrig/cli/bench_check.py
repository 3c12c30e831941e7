"""`benchrig bench check`."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from benchrig.cli.bench_options import bench_options, chosen_bench, who
from benchrig.cli.output import as_json_option, emit, plain_console, speaks
from benchrig.cli.shared_store import deliver_after

__all__ = ["check"]


@click.command(
    "check",
    epilog="Example:  benchrig bench check --simulated\n\n"
    "Example:  benchrig bench check --bench bench.toml --barometer-kpa 99.87",
)
@bench_options
@click.option("--barometer-kpa", type=click.FloatRange(50, 110), help="Station pressure now, not reduced to sea level.")
@as_json_option
@speaks
def check(
    bench_file: Path | None,
    simulated: str | None,
    seed: int,
    faults: tuple[str, ...],
    tank: bool,
    operator: str | None,
    barometer_kpa: float | None,
    as_json: bool,
) -> None:
    """Check whether the bench can be trusted today: two minutes, one reference at a time. The outcome is stored."""
    from benchrig.application.bench_check import check_bench
    from benchrig.application.bench_choice import open_bench
    from benchrig.application.paths import store_path
    from benchrig.cli.bench_display import BenchDisplay
    from benchrig.cli.live_line import LiveLine
    from benchrig.cli.operator_prompts import TerminalQuestions
    from benchrig.records import Store
    from benchrig.reports.bench_text import check_item_document, print_to_do

    console = plain_console(stderr=True)
    store = Store(store_path())
    choice = chosen_bench(bench_file, simulated=simulated, seed=seed, faults=faults, tank=tank)
    line = LiveLine(console)
    with line.cleared():
        checked = check_bench(
            store,
            open_bench(choice),
            operator_name=who(operator),
            seed=choice.seed,
            barometer_kpa=barometer_kpa,
            questions=TerminalQuestions(console, line),
            tell=BenchDisplay(console, line),
        )
    result, done, key = checked.result, checked.done, checked.bench
    page = None if checked.page is None else str(checked.page)
    if as_json:
        emit(
            {
                "check": done.name,
                "bench": key.name,
                "simulated": key.simulated,
                "passed": result.passed,
                "failed": list(done.failed),
                "bench_seconds": round(result.bench_seconds, 3),
                "page": page,
                "looks": [check_item_document(item) for item in result.items],
            }
        )
    print_to_do(result, done, checked.valid_h, console)
    if page is not None:
        console.print(f"\npage    {page}", soft_wrap=True)
    deliver_after(store)
    sys.exit(0 if result.passed else 3)
