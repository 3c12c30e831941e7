"""`benchrig bench check`."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import click

from benchrig import __version__
from benchrig.cli.bench_options import bench_options, key_of, open_asked
from benchrig.cli.output import as_json_option, emit, speaks

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
    operator: str | None,
    barometer_kpa: float | None,
    as_json: bool,
) -> None:
    """Look whether the bench can be trusted today: two minutes, one reference at a time. The outcome is stored."""
    from rich.console import Console

    from benchrig.bench.check_result import Look
    from benchrig.cli.operator_prompts import operator_for
    from benchrig.cli.places import pages_folder, store_path
    from benchrig.cli.qualify import who
    from benchrig.records import Store
    from benchrig.reports.bench_text import look_document, look_line, print_to_do
    from benchrig.reports.check_page import write_check_page
    from benchrig.sequencer.check.check import bench_check

    console = Console(stderr=True, highlight=False)
    store = Store(store_path())
    with open_asked(bench_file, simulated=simulated, seed=seed, faults=faults) as opened:
        bench = opened.bench
        key = key_of(bench, seed if simulated is not None else None)
        prompts = operator_for(console, bench, opened.hands)
        from benchrig.bench.traceability import weigh
        from benchrig.clock import utc_now

        bench.rest_on(weigh(bench.loaded.file, None, store.calibration_store.calibrations(key), utc_now()))
        console.print(f"Bench check of {bench.file.bench.name}{', simulated' if simulated else ''}.\n", style="bold")
        if barometer_kpa is None:
            barometer_kpa = prompts.read("barometer", "kPa")

        def tell(look: Look) -> None:
            prompts.still()
            look_line(look, console)

        try:
            result = bench_check(
                bench,
                prompts,
                operator_name=who(operator),
                program=f"benchrig {__version__}",
                barometer_pa=barometer_kpa * 1000,
                tell=tell,
            )
        finally:
            prompts.still()
    done = store.calibration_store.keep_check(key, replace(result, made_on=bench.made_on))
    try:
        page = str(write_check_page(result, done, key, pages_folder()))
    except OSError as error:
        page = ""
        console.print(f"The page could not be written into {pages_folder()} ({error}); the check is stored.")
    if as_json:
        emit(
            {
                "check": done.name,
                "bench": key.name,
                "simulated": key.simulated,
                "passed": result.passed,
                "failed": list(done.failed),
                "bench_seconds": round(result.bench_seconds, 3),
                "page": page or None,
                "looks": [look_document(look) for look in result.looks],
            }
        )
    print_to_do(result, done, bench.file.check.valid_h, console)
    if page:
        console.print(f"\npage    {page}", soft_wrap=True)
    sys.exit(0 if result.passed else 3)
