"""`benchrig board`: the relay board by itself, without a bench file."""

from __future__ import annotations

import sys
from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from benchrig.cli.output import as_json_option, emit, speaks

if TYPE_CHECKING:
    from benchrig.drivers.board_knowledge import BoardReport

__all__ = ["board"]

_PORT = click.option("--port", required=True, help="Serial port of the board, such as /dev/ttyACM0.")


@click.group()
def board() -> None:
    """The relay board by itself: what it knows, whether it is sound, its firmware. To greet it switches all off."""


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
    if as_json:
        emit(_document(report))
    else:
        _tell(report)


def _document(report: BoardReport) -> dict[str, object]:
    found = report.identity
    shown = {name: value for name, value in asdict(report).items() if name != "identity"}
    return {"identity": found.identity, "build": found.build, "protocol": f"{found.major}.{found.minor}", **shown}


def _tell(report: BoardReport) -> None:
    found = report.identity
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


@board.command("install", epilog="Example:  benchrig board install --port /dev/ttyACM0")
@_PORT
@as_json_option
@speaks
def install(port: str, as_json: bool) -> None:
    """Put this program's firmware onto a board that has only MicroPython, and start it.

    Each file is read back and compared. With no supply on the bench, please: while it is at its prompt no rule holds.
    """
    from benchrig.clock import RealClock
    from benchrig.drivers import board_install
    from benchrig.drivers.serial_link import open_serial

    clock = RealClock()
    link = open_serial(port, clock)
    try:
        done = board_install.install(link, clock, on_file=lambda *of: None if as_json else _tell_file(*of))
        report = None if done.strapped else board_install.report_of_started(link, clock, done)
    finally:
        link.close()
    if as_json:
        emit({**asdict(done), "board": None if report is None else _document(report)})
        return
    click.echo(f"{done.files} files on the board, each the same as here: firmware {done.firmware}, on {done.runs_on}.")
    if report is None:
        click.echo("GP22 is joined to 0 V, so it stays at its prompt: take that off, unplug and plug in.")
    else:
        click.echo("It runs:")
        _tell(report)
        click.echo(f'For the bench file, [board]:  identity = "{report.identity.identity}"')


def _tell_file(path: str, done: int, of: int) -> None:
    click.echo(f"{done:>3} of {of}  {path}")
