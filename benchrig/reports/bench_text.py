"""Looks of a bench check and calibrations, as people read them on terminal and page."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from benchrig.bench.calibrations import Calibration, Constant
from benchrig.bench.check_result import CheckItem, CheckResult
from benchrig.bench.traceability import BenchKey, CheckDone
from benchrig.records.run_record import utc_text
from benchrig.reports.formatting import COVERAGE, in_print, local_text, unit_text, visible, with_spread

__all__ = [
    "allowed_text",
    "calibration_document",
    "check_item_document",
    "constant_text",
    "print_calibration",
    "print_check_item",
    "print_history",
    "print_to_do",
    "sign_of",
    "spread_text",
    "value_of",
]

_SIGNS = {"pass": "✓", "fail": "✗", "not done": "○"}
_STYLES = {"pass": "green", "fail": "bold red", "not done": "yellow"}
COUNTS = ("contacts closed", "faults")


def sign_of(item: CheckItem) -> str:
    """A shape for the outcome, that also says it without colour."""
    return _SIGNS[item.outcome]


def spread_text(value: float, u: float | None) -> str:
    """A value with twice its standard uncertainty, which has two figures; without one, four figures.

    Examples
    --------
    >>> spread_text(0.5012, 0.0009), spread_text(13.4523, None), spread_text(9.985406, 0.0952)
    ('0.5012 ± 0.0018', '13.45', '9.99 ± 0.19')
    """
    said, spread = with_spread(value, 0.0 if u is None else COVERAGE * u)
    return f"{said} ± {spread}" if spread else said


def value_of(item: CheckItem) -> str:
    """What was found, with its unit."""
    if item.value is None:
        return "" if item.outcome != "pass" else "as it should be"
    if item.unit in COUNTS:
        return "all answer" if item.unit == "faults" else "open"
    if item.unit.startswith("of "):
        return f"{item.value:.0f} {item.unit}"
    value = spread_text(0.0 if abs(item.value) < 5e-4 and item.u is None else item.value, item.u)
    return f"{value} {unit_text(item.unit)}"


def allowed_text(item: CheckItem) -> str:
    """What is allowed.

    Examples
    --------
    >>> allowed_text(CheckItem("a", "A", "pass", 1.0, None, "V", 12.0, 14.8))
    '12 to 14.8'
    >>> allowed_text(CheckItem("a", "A", "pass", 1.0, None, "s", None, 12.0))
    '≤ 12'
    """
    if item.unit in COUNTS or (item.low is None and item.high is None):
        return ""
    if item.low is None:
        return f"≤ {_limit_text(item.high, item.u)}"
    if item.high is None:
        return f"≥ {_limit_text(item.low, item.u)}"
    if item.low == -item.high:
        return f"± {_limit_text(item.high, item.u)}"
    return f"{_limit_text(item.low, item.u)} to {_limit_text(item.high, item.u)}"


def _limit_text(limit: float | None, u: float | None) -> str:
    """A limit with the decimals of the value that stands beside it."""
    if limit is None:
        return ""
    return f"{limit:.4g}" if u is None or not u > 0 else f"{limit:.{_decimals(u)}f}"


def _decimals(u: float) -> int:
    return max(0, 1 - math.floor(math.log10(2 * u)))


def check_item_document(item: CheckItem) -> dict[str, Any]:
    """As one entry of a JSON list."""
    return {
        "look": item.name,
        "title": item.title,
        "outcome": item.outcome,
        "value": item.value,
        "u": item.u,
        "unit": item.unit if item.value is not None and item.unit not in COUNTS else None,
        "low": item.low,
        "high": item.high,
        "why": item.why or None,
        "to_do": item.to_do or None,
    }


def print_check_item(item: CheckItem, console: Console) -> None:
    """Print one item: shape, title, what was found, what is allowed."""
    line = Text("  ")
    line.append(f"{sign_of(item)} ", style=_STYLES[item.outcome])
    line.append(f"{item.title:<27}", style="" if item.outcome == "pass" else "bold")
    if item.outcome == "not done":
        line.append(f"not done: {item.why}", style="yellow")
    elif item.value is None and item.outcome == "fail":
        line.append("fails", style=_STYLES["fail"])
    else:
        line.append(f"{value_of(item):>22}")
        line.append(f"   {allowed_text(item)}", style="dim")
    console.print(line, soft_wrap=True)


def print_to_do(result: CheckResult, done: CheckDone, valid_h: float, console: Console) -> None:
    """Print what came out, and what to do about each item that failed."""
    console.print()
    seconds = f"{result.bench_seconds:.0f} s on the bench"
    if result.passed:
        until = (result.ended + timedelta(hours=valid_h)).astimezone()
        console.print(
            Text.assemble(("PASSED", "bold green"), f"   {done.name}, {seconds}; counts until {until:%Y-%m-%d %H:%M}.")
        )
        return
    console.print(Text.assemble(("FAILED", "bold red"), f"   {done.name}, {seconds}; no run until it passes."))
    for item in result.items:
        if item.outcome == "fail" or (item.outcome == "not done" and item.to_do):
            console.print()
            console.print(Padding(Text.assemble((item.title, "bold"), f": {item.why}"), (0, 2)))
            console.print(Padding(Text(f"what to do: {item.to_do}", style="dim"), (0, 2)))


def calibration_document(calibration: Calibration, bench: BenchKey) -> dict[str, Any]:
    """As a JSON document."""
    gone = calibration.withdrawal
    return {
        "calibration": calibration.name,
        "kind": calibration.kind,
        "bench": bench.name,
        "simulated": bench.simulated,
        "seed": bench.seed,
        "constants": [each._asdict() for each in calibration.constants],
        "before": [each._asdict() for each in calibration.before],
        "references": [
            {**vars(each), "dated": None if each.dated is None else each.dated.isoformat()}
            for each in calibration.references
        ],
        "made": utc_text(calibration.made),
        "until": utc_text(calibration.until),
        "operator": calibration.operator,
        "how": calibration.how,
        "parts": [list(part) for part in calibration.parts],
        "notes": list(calibration.notes),
        "withdrawn": None
        if gone is None
        else {"at": utc_text(gone.at), "operator": gone.operator, "reason": gone.reason},
    }


def constant_text(each: Constant) -> str:
    """A constant with twice its standard uncertainty and its unit."""
    return f"{spread_text(each.value, each.u)} {unit_text(each.unit)}".rstrip()


def print_calibration(calibration: Calibration, console: Console) -> None:
    """Print what a calibration found, against what, and until when it counts."""
    console.print()
    console.print(
        Text.assemble(("KEPT", "bold green"), f"   {calibration.name}, counts until {_day(calibration.until)}.")
    )
    console.print()
    table = Table.grid(padding=(0, 2, 0, 2))
    for now, was in zip(calibration.constants, calibration.before, strict=True):
        table.add_row(
            Text(now.name, style="bold"), Text(constant_text(now), style="bold"), Text("± is k = 2", style="dim")
        )
        moved = "" if not was.value else f"moved by {_moved_text(100 * (now.value / was.value - 1))} %"
        table.add_row(Text("until now", style="dim"), Text(constant_text(was)), Text(moved, style="dim"))
    for each in calibration.references:
        paper = f"certificate {each.certificate}" if each.certificate else "no certificate"
        dated = f", {each.dated}" if each.dated else ""
        value = f"{each.value:.6g} ± {2 * each.u:.2g} {unit_text(each.unit)}"
        table.add_row(Text(each.name), Text(value), Text(visible(f"{paper}{dated}"), style="dim"))
    console.print(table)
    console.print()
    console.print(Padding(Text(in_print(calibration.how), style="dim"), (0, 2)))
    if calibration.parts:
        shares = ", ".join(f"{name} {part:.2g}" for name, part in calibration.parts[:4])
        said = f"standard uncertainty from: {shares} {unit_text(calibration.constants[0].unit)}"
        console.print(Padding(Text(said, style="dim"), (0, 2)))
    for note in calibration.notes:
        console.print(Padding(Text(in_print(note), style="yellow"), (0, 2)))


def _moved_text(percent: float) -> str:
    """A change in per cent; one too small to be seen has no sign.

    Examples
    --------
    >>> _moved_text(-0.001), _moved_text(-0.31)
    ('0.00', '-0.31')
    """
    return "0.00" if abs(percent) < 0.005 else f"{percent:+.2f}"


def _day(when: datetime) -> str:
    return f"{when.astimezone():%Y-%m-%d}"


def print_history(calibrations: Sequence[Calibration], checks: Sequence[CheckDone], console: Console) -> None:
    """Print all calibrations, oldest first, and the last checks."""
    if not calibrations and not checks:
        console.print("No calibration and no bench check was ever made.")
        return
    if calibrations:
        table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
        for heading in ("calibration", "made", "kind", "constant (k = 2)", "by", "until", ""):
            table.add_column(heading, overflow="fold")
        for each in calibrations:
            gone = each.withdrawal
            table.add_row(
                each.name,
                _day(each.made),
                each.kind,
                ", ".join(constant_text(constant) for constant in each.constants),
                Text(visible(each.operator)),
                _day(each.until),
                Text(
                    "" if gone is None else f"withdrawn {_day(gone.at)}: {visible(gone.reason)}",
                    style="yellow",
                ),
            )
        console.print(table)
    if calibrations and checks:
        console.print()
    if checks:
        table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
        for heading in ("bench check", "when", "outcome", "by", "failed"):
            table.add_column(heading, overflow="fold")
        for check in checks:
            word = Text("passed", style="green") if check.passed else Text("failed", style="bold red")
            failed = Text(visible(", ".join(check.failed)))
            table.add_row(check.name, local_text(check.ended), word, Text(visible(check.operator)), failed)
        console.print(table)
