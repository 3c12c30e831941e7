"""A rehearsal on the terminal: what went in against what came out, the rates with their limits, the misses."""

from __future__ import annotations

from collections.abc import Callable

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from benchrig.rehearsal.confidence_limits import Quantile, Rate
from benchrig.rehearsal.miss_explanations import again, remedy
from benchrig.rehearsal.one_valve import RehearsalSettings, Result
from benchrig.rehearsal.plan import grade
from benchrig.rehearsal.tally import MAIN, WET, Tally, cause_is_right, kind_of_miss
from benchrig.rehearsal.valve_mix import GOOD
from benchrig.reports.run_terminal import fitting

__all__ = ["print_rehearsal"]

_STYLES = {"accept": "green", "reject": "red", "undecided": "yellow"}
_BAD = "bold red"
_RATES = (
    ("false_accepts", "false accepts", "defective"),
    ("false_rejects", "false rejects", "good"),
    ("undecided_good", "undecided, good", "good"),
    ("undecided_defective", "undecided, defective", "defective"),
    ("cause_right", "cause named right", "rejected"),
    ("wet_named", "wet seen as such", "wet"),
    ("wet_rejected", "wet rejected", "wet"),
    ("no_verdict", "no verdict", "all"),
)


def print_rehearsal(
    tally: Tally, setting: RehearsalSettings, console: Console, *, most: int, wall_seconds: float
) -> None:
    """Print it. `most` is how many misses are told one by one."""
    fit = fitting(console)
    stopped = len(tally.results) < tally.asked
    if stopped:
        said = f"PARTIAL: stopped after {len(tally.results)} of {tally.asked} valves. What follows is of those alone."
        console.print(Text(said, style="bold yellow"))
        console.print()
    if not tally.results:
        return
    console.print(_table(tally))
    console.print()
    console.print(_rates(tally, fit))
    console.print()
    if near := _near_limits(tally):
        console.print(near)
        console.print()
    for line in _times(tally, wall_seconds):
        console.print(Text(line, style="dim"))
    _print_misses(tally, setting, console, fit, most)


def _table(tally: Tally) -> Table:
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    table.add_column("true condition", no_wrap=True)
    table.add_column("valves", justify="right")
    for ending in tally.endings:
        table.add_column(ending, justify="right")
    table.add_column("cause right", justify="right")
    table.add_column("else named", overflow="fold")
    counts, causes, near = tally.table(), tally.causes(), bool(tally.near_limits())
    for name in tally.conditions:
        row = counts[name]
        table.add_row(
            Text(name, style="bold" if name == GOOD else ""),
            str(sum(row.values())),
            *(_count(name, ending, row[ending], told=not near) for ending in tally.endings),
            *_named(name, tally, causes.get(name, {})),
        )
    totals = [sum(counts[name][ending] for name in counts) for ending in tally.endings]
    table.add_section()
    table.add_row(
        Text("all", style="dim"), Text(str(sum(totals)), style="dim"), *(Text(str(n), style="dim") for n in totals)
    )
    return table


def _count(condition: str, ending: str, count: int, *, told: bool) -> Text:
    """A count, in the colour of an error where the condition tells that it is one."""
    if not count:
        return Text("·" if ending in _STYLES else "", style="dim")
    wrong = {"accept": condition not in (GOOD, WET), "reject": condition in (GOOD, WET)}.get(ending, False) and told
    return Text(str(count), style=_BAD if wrong else _STYLES.get(ending, "magenta"))


def _named(condition: str, tally: Tally, causes: dict[str, int]) -> tuple[Text, Text]:
    if condition == GOOD or not causes:
        return Text(""), Text("")
    of_it = [each for each in tally.rejected() if each.entry.condition == condition]
    right = sum(map(cause_is_right, of_it))
    others = [f"{named} {n}" for named, n in causes.items() if named.replace(" ", "-") != condition]
    style = "yellow" if condition in MAIN and right < 0.9 * len(of_it) else ""
    return Text(f"{right} of {len(of_it)}", style=style), Text(", ".join(others), style="dim")


def _near_limits(tally: Tally) -> Table | None:
    counts = tally.near_limits()
    if not counts:
        return None
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    table.add_column("near its limit", no_wrap=True)
    table.add_column("true / limit", no_wrap=True)
    for ending in tally.endings:
        table.add_column(ending, justify="right")
    for condition, steps in counts.items():
        for number, (step, row) in enumerate(steps.items()):
            table.add_row("" if number else condition, step, *(str(row[ending] or "·") for ending in tally.endings))
    return table


def _rates(tally: Tally, fit: Callable[[str], str]) -> Table:
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    table.add_column("rate", no_wrap=True)
    table.add_column("count", justify="right")
    table.add_column("of", justify="right")
    table.add_column("", no_wrap=True)
    table.add_column("", justify="right", no_wrap=True)
    table.add_column("95 % limits", no_wrap=True)
    rates, grades = tally.rates(), tally.by_grade()
    for key, title, among in _RATES:
        if key == "no_verdict" and not rates[key].count:
            continue
        _add_rate(table, title, rates[key], among, fit)
        if key in ("false_accepts", "undecided_defective", "cause_right") and len(grades) > 1:
            for name, found in grades.items():
                if found[key].of:
                    _add_rate(table, f"  {name}", found[key], "", fit, dim=True)
    return table


def _add_rate(
    table: Table, title: str, rate: Rate, among: str, fit: Callable[[str], str], *, dim: bool = False
) -> None:
    if not rate.of:
        return
    low, high = rate.limits
    style = "dim" if dim else ""
    cells = (
        title,
        str(rate.count),
        str(rate.of),
        among,
        f"{100 * (rate.rate or 0.0):.1f} %",
        fit(f"{100 * low:.1f} to {100 * high:.1f} %"),
    )
    table.add_row(*(Text(cell, style=style) for cell in cells))


def _times(tally: Tally, wall_seconds: float) -> list[str]:
    median, p95 = tally.bench_seconds(0.5), tally.bench_seconds(0.95)
    lines = ["Limits by Clopper and Pearson, exact for counted rates."]
    if median is not None and p95 is not None:
        lines.append(f"Bench seconds a valve: median {_quantile(median)}, 95th percentile {_quantile(p95)}.")
    lines.append(f"Took {wall_seconds:.1f} s, {1000 * wall_seconds / len(tally.results):.0f} ms a valve.")
    return lines


def _quantile(found: Quantile) -> str:
    if found.low is None or found.high is None:
        return f"{found.value:.1f}"
    return f"{found.value:.1f} ({found.low:.1f} to {found.high:.1f})"


def _print_misses(
    tally: Tally, setting: RehearsalSettings, console: Console, fit: Callable[[str], str], most: int
) -> None:
    misses = tally.misses()
    console.print()
    if not misses:
        console.print(Text("No misses: every verdict and every cause is right.", style="green"))
        return
    console.print(Text(f"{len(misses)} not as they should be" if len(misses) > 1 else "1 not as it should be"))
    for result in misses[:most]:
        console.print()
        console.print(_head(result))
        band = setting.models[result.entry.model].guard_band
        console.print(Padding(Text(fit(remedy(result, band))), (0, 0, 0, 2)))
        console.print(
            Text("  " + again(result, as_stated=setting.as_stated, full=setting.full), style="dim"), soft_wrap=True
        )
    if len(misses) > most:
        left = len(misses) - most
        console.print(Text(f"\n… and {left} more: --misses {len(misses)} tells them all, --json too.".lstrip("\n")))


def _head(result: Result) -> Text:
    entry, kind = result.entry, kind_of_miss(result)
    style = "yellow" if kind in ("undecided", "other cause") else _BAD
    text = Text(f"#{entry.index}  ")
    text.append(kind, style=style)
    text.append(f"  {entry.condition}")
    if entry.severity is not None:
        text.append(f", {grade(entry.severity)} ({entry.severity:.2f})")
    text.append(f"  {entry.model}", style="dim")
    return text
