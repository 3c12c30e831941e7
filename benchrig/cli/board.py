"""`benchrig board`: the relay board by itself, without a bench file."""

from __future__ import annotations

import sys
from dataclasses import asdict

import click

from benchrig.cli.output import as_json_option, emit, speaks

__all__ = ["board"]

_PORT = click.option("--port", required=True, help="Serial port of the board, such as /dev/ttyACM0.")


@click.group()
def board() -> None:
    """The relay board: what it knows of itself, and whether it is sound. Greeting it switches everything off."""


@board.command("info", epilog="Example:  benchrig board info --port /dev/ttyACM0")
@_PORT
@as_json_option
@speaks
def info(port: str, as_json: bool) -> None:
    """Say which board this is, what firmware runs on it, and why it last started."""
    from benchrig.clock import RealClock
    from benchrig.drivers.board_knowledge import board_report
    from benchrig.drivers.serial_link import open_serial

    clock = RealClock()
    link = open_serial(port, clock)
    try:
        report = board_report(link, clock)
    finally:
        link.close()
    found = report.identity
    if as_json:
        shown = {name: value for name, value in asdict(report).items() if name != "identity"}
        protocol = f"{found.major}.{found.minor}"
        emit({"identity": found.identity, "build": found.build, "protocol": protocol, **shown})
        return
    rows = {
        "board": found.identity,
        "chip": report.unique or "not told",
        "protocol": f"{found.major}.{found.minor}",
        "firmware": f"build {found.build}" + (f", files {report.firmware}" if report.firmware else ""),
        "runs on": report.runs_on or "not told",
        "last start": f"{report.uptime_s} s ago, by {report.started_by}",
        "memory": f"{report.free_bytes} bytes free; {found.capture_words} words for captures",
        "damaged frames": str(report.damaged_frames),
    }
    for name, value in rows.items():
        click.echo(f"{name:<15} {value}")


@board.command("self-test", epilog="Example:  benchrig board self-test --port /dev/ttyACM0")
@_PORT
@as_json_option
@speaks
def self_test(port: str, as_json: bool) -> None:
    """Let the board look at its own pins and converter. Nothing is switched on; status 3 if something failed."""
    from benchrig.clock import RealClock
    from benchrig.drivers.board_knowledge import self_test_report
    from benchrig.drivers.serial_link import open_serial

    clock = RealClock()
    link = open_serial(port, clock)
    try:
        report = self_test_report(link, clock)
    finally:
        link.close()
    if as_json:
        emit(asdict(report))
    else:
        for name in report.done:
            click.echo(f"{'FAILED' if name in report.failed else 'ok':<7} {name}")
        if report.failed:
            click.echo("Do not use this board on a valve: find out what holds the pin, or replace the board.", err=True)
    if report.failed:
        sys.exit(3)
