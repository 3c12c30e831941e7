"""`benchrig bench`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchrig.cli.lazy_group import LazyGroup
from benchrig.cli.output import as_json_option, emit, plain_console, speaks

if TYPE_CHECKING:
    from benchrig.bench.file import BenchFile, LoadedBenchFile
    from benchrig.bench.traceability import Traceability

__all__ = ["bench"]

# name -> (where the command is, its line in --help); loaded when called
_MORE: dict[str, tuple[str, str]] = {
    "repeatability": ("benchrig.cli.bench_repeatability:repeatability", "How much of what is seen is the bench's own?"),
    "chart": ("benchrig.cli.bench_chart:chart", "Has it drifted? Charts of a known-good valve measured daily."),
    "check": ("benchrig.cli.bench_check:check", "Two minutes a day: can the bench be trusted?"),
    "calibrate": ("benchrig.cli.bench_calibrate:calibrate", "Measure a constant of the bench against a reference."),
    "history": ("benchrig.cli.bench_calibrate:history", "All calibrations, and the last bench checks."),
    "withdraw": ("benchrig.cli.bench_calibrate:withdraw", "Say that a calibration was found wrong."),
}


@click.group(cls=LazyGroup, lazy=_MORE)
def bench() -> None:
    """The bench: its file, whether it can be trusted today, and its constants."""


@bench.command("show", epilog="Example:  benchrig bench show --example > bench.toml")
@click.option(
    "--bench",
    "bench_file",
    type=click.Path(path_type=Path),
    help="Bench file. Default: bench.toml in the workshop's folder.",
)
@click.option(
    "--plan", is_flag=True, help="Print the order of a run instead: what goes on beside what, and the seconds it takes."
)
@click.option(
    "--normally",
    type=click.Choice(["closed", "open"]),
    default="closed",
    show_default=True,
    help="Of the valves that --plan is for.",
)
@click.option("--example", is_flag=True, help="Print a complete bench file with comments, to start from.")
@as_json_option
@speaks
def show(bench_file: Path | None, plan: bool, normally: str, example: bool, as_json: bool) -> None:
    """Show the bench file as it is understood, and what a run would rest on now. Nothing is connected or switched."""
    from benchrig.application.paths import demo_folder, home
    from benchrig.bench.calibrations import in_use, with_calibrations
    from benchrig.bench.constants import KINDS_OF_CALIBRATION
    from benchrig.bench.file import load_bench_file
    from benchrig.reports.bench_text import constant_text

    if example:
        text = _for_a_real_bench((demo_folder() / "bench.toml").read_text(encoding="utf-8"))
        if as_json:
            emit({"bench_file": text})
        else:
            click.echo(text, nl=False)
        return
    path = bench_file or home() / "bench.toml"
    loaded = load_bench_file(path)
    tables = {name: keys for name, keys in loaded.file.model_dump(mode="json").items() if keys is not None}
    traceability = _traceability(loaded)
    if plan:
        _show_plan(with_calibrations(loaded.file, traceability.used), normally, as_json=as_json)
        return
    constants = in_use(loaded.file, traceability.used)
    if as_json:
        shown = [{**each._asdict(), "from": origin or "bench file"} for each, origin in constants]
        now = {
            "constants": shown,
            "rests_on": [each.says for each in traceability.items],
            "missing": [str(each) for each in traceability.missing],
        }
        emit({"file": str(path), "sha256": loaded.sha256, **tables, **now})
        return
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, show_header=False)
    for name, keys in tables.items():
        for number, (key, value) in enumerate(keys.items()):
            if value not in (None, "", []):
                table.add_row(Text(name if number == 0 else "", style="bold"), key, Text(str(value)))
    console = plain_console()
    console.print(table)
    worded = Table.grid(padding=(0, 2, 0, 0))
    for each, origin in constants:
        worded.add_row(
            Text("in use", style="dim"), Text(each.name), Text(constant_text(each)), Text(origin or "bench file", "dim")
        )
    listed = [("rests on", each.says, "") for each in traceability.items]
    listed += [("missing", str(each), "yellow") for each in traceability.missing]
    listed += [("note", remark, "dim") for remark in traceability.remarks]
    counting = {each.kind for each in traceability.used}
    sharper = [kind for kind, each in KINDS_OF_CALIBRATION.items() if not each.needed and kind not in counting]
    if sharper and not loaded.file.bench.simulated:
        said = f"not needed, but results would be sharper with 'benchrig bench calibrate' {', '.join(sharper)}"
        listed.append(("note", said, "dim"))
    if traceability.forbidden:
        listed.append(("no run", traceability.forbidden, "bold red"))
    below = Table.grid(padding=(0, 2, 0, 0))
    for label, said, style in listed:
        below.add_row(Text(label, style="dim"), Text(said, style=style))
    console.print()
    console.print(worded)
    console.print()
    console.print(below)
    click.echo(f"\n{path}   sha256 {loaded.sha256[:16]}", err=True)


def _show_plan(file: BenchFile, normally: str, *, as_json: bool) -> None:
    """Print when each step of a run begins and ends on this bench."""
    from rich.table import Table

    from benchrig.sequencer.overlap import planned
    from benchrig.sequencer.sequence import STEPS, occupied

    paces = [planned(STEPS, file, normally, pace) for pace in ("usual", "full", "floor")]
    if as_json:
        steps = [
            {
                "step": usual.step.name,
                "begins_s": round(usual.begins_s, 2),
                "ends_s": round(usual.ends_s, 2),
                "full_ends_s": round(full.ends_s, 2),
                "floor_ends_s": round(floor.ends_s, 2),
                "occupies": sorted(occupied(usual.step, normally)),
            }
            for usual, full, floor in zip(*paces, strict=True)
        ]
        emit({"normally": normally, "steps": steps})
        return
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for head in ("step", "begins s", "ends s", "full, ends s", "by physics s", "occupies"):
        table.add_column(head, justify="right" if head.endswith(" s") else "left")
    for usual, full, floor in zip(*paces, strict=True):
        seconds = (f"{each:.1f}" for each in (usual.begins_s, usual.ends_s, full.ends_s, floor.ends_s))
        table.add_row(usual.step.title, *seconds, ", ".join(sorted(occupied(usual.step, normally))))
    plain_console().print(table)


def _traceability(loaded: LoadedBenchFile) -> Traceability:
    """What a run on this bench would rest on now. Looks into the store only if there is one."""
    from benchrig.application.paths import store_path
    from benchrig.bench.traceability import BenchKey, assess_traceability
    from benchrig.clock import utc_now
    from benchrig.records import Store

    general = loaded.file.bench
    standing = (
        Store(store_path(), reading=True).calibration_store.last_check_and_calibrations(
            BenchKey(general.name, general.simulated)
        )
        if store_path().exists()
        else (None, ())
    )
    return assess_traceability(loaded.file, *standing, utc_now())


def _for_a_real_bench(text: str) -> str:
    """The demonstration's bench file with nothing left in it that would pass a real bench for a simulated one."""
    real = {
        "name": 'name = "bench-1"',
        "workshop": 'workshop = ""',
        "simulated": "simulated = false",
        "barometer_kpa": "# barometer_kpa = 101.325   # station pressure of today, not reduced to sea level",
        "port": 'port = "/dev/ttyACM0"',
        "address": 'address = "TCPIP::192.0.2.7::5025::SOCKET"',
        "certificate": 'certificate = ""            # its number',
        "dated": "# dated = 2026-03-02       # day of the certificate",
        "identity": 'identity = ""               # leave empty to take any',
    }
    lines = []
    for line in text.splitlines():
        key = line.partition("=")[0].strip()
        if key != "needed":  # a real bench needs its check and its calibrations
            lines.append('address = ""' if key == "address" and "(fictional)" in line else real.get(key, line))
    body = "\n".join(line for line in lines if not line.startswith("# Bench file of the simulated bench"))
    return "# An example to start from: put in your own ports, and the constants of your own bench.\n" + body + "\n"
