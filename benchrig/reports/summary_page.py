"""The summary of many runs as one self-contained HTML page, and on the terminal."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from benchrig.analysis.characteristics import title_of
from benchrig.records.summary import Spread, Summary
from benchrig.reports.formatting import last_place, limit_without_unit, local_text, unit_text, visible
from benchrig.reports.summary_plot import causes_svg, spread_svg
from benchrig.reports.template_loading import environment

__all__ = ["print_summary", "summary_page_html"]

_BAR = 24
MADE_UP = "Simulated bench: no valve was tested. Parts and numbers are made up."


def summary_page_html(summary: Summary, title: str) -> str:
    """Make the page: a pure function of the summary and what it is of. No network, no script, no other file."""
    from markupsafe import Markup

    blocks = [
        {
            "title": title_of(each.name),
            "model": each.model,
            "unit": unit_text(each.unit),
            "told": _told(each),
            "svg": Markup(spread_svg(each)),
            "drifts": each.drift is not None and each.drift.sure,
            "beyond": each.beyond,
        }
        for each in summary.spreads
        if len(each.values)
    ]
    return (
        environment()
        .get_template("summary.html")
        .render(
            summary=summary,
            title=title,
            span=_span(summary),
            numbers=_numbers(summary),
            causes=Markup(causes_svg(summary.causes)),
            blocks=blocks,
            made_up=MADE_UP if summary.simulated and summary.simulated == summary.runs else "",
            some_made_up=0 < summary.simulated < summary.runs,
        )
    )


def _span(summary: Summary) -> str:
    if summary.first is None or summary.last is None:
        return ""
    first, last = local_text(summary.first), local_text(summary.last)
    return first if first == last else f"{first} to {last}"


def _share(part: float | None, of: str) -> str:
    return "" if part is None else f", {100 * part:.1f} % of {of}"


def _numbers(summary: Summary) -> list[tuple[str, str]]:
    """What there is to tell in figures: label and text."""
    verdicts = summary.verdicts
    time = summary.time
    told = [
        ("Runs", f"{summary.runs} of {summary.parts} parts"),
        ("Accepted", f"{verdicts['accept']}{_share(summary.accepted_part, 'the runs with a verdict')}"),
        ("Rejected", str(verdicts["reject"])),
        ("Undecided", str(verdicts["undecided"])),
        ("Aborted", f"{verdicts['aborted']}: nothing is said about these valves" if verdicts["aborted"] else "0"),
        (
            "Parts by their last run",
            f"{summary.last_verdicts['accept']} accepted{_share(summary.accepted_parts, 'them')}; "
            f"{summary.last_verdicts['reject']} rejected, {summary.last_verdicts['undecided']} undecided",
        ),
    ]
    if time.median_s is not None and time.p95_s is not None:
        on_bench = f"median {time.median_s:.1f} s, 95 % within {time.p95_s:.1f} s; {time.total_s / 60:.0f} min in all"
        told.append(("Bench time for each run", on_bench))
        told.append(("Bench time for each valve", f"{time.total_s / summary.parts:.1f} s, its runs together"))
    if summary.running:
        told.append(("Going on", str(summary.running)))
    return told


def _told(each: Spread) -> str:
    """How the values lie, in figures."""
    unit = f" {unit_text(each.unit)}".rstrip()
    low, middle, high = (each.quantile(part) for part in (0.05, 0.5, 0.95))
    if low is None or middle is None or high is None:
        return "not measured"
    places = max(last_place(max((high - low) / 20, abs(middle) * 1e-4, 1e-9)), 0)
    said = [f"median {middle:.{places}f}, 90 % from {low:.{places}f} to {high:.{places}f}{unit}"]
    allowed = limit_without_unit(each.limit)
    if each.limit is not None:
        said.append(f"allowed {allowed}{unit}, {each.beyond} of {len(each.values)} beyond it")
    if each.bounds:
        said.append(f"{each.bounds} only bounds")
    if each.missing:
        said.append(f"{each.missing} not measured")
    if each.drift is not None and each.drift.sure:
        said.append(
            f"drifts by {each.drift.change:+.{places}f}{unit} from the first run to the last, more than chance does: "
            "parts that came sorted, or the bench ('benchrig bench chart')"
        )
    return "; ".join(said)


def print_summary(summary: Summary, title: str, console: Console) -> None:
    """Print it."""
    console.print(Text(f"{title}: {_span(summary) or 'no runs'}", style="bold"))
    if not summary.runs:
        return
    if summary.simulated:
        console.print(Text(f"{summary.simulated} of {summary.runs} runs on a simulated bench", style="dim"))
    grid = Table.grid(padding=(0, 2, 0, 0))
    for label, said in _numbers(summary):
        grid.add_row(Text(label.lower(), style="dim"), Text(said))
    console.print(grid)
    if summary.causes:
        console.print(Text("\nrejects by cause", style="dim"))
        table = Table.grid(padding=(0, 2, 0, 0))
        for each in summary.causes:
            bar = "#" * max(1, round(_BAR * each.count / summary.causes[0].count))
            table.add_row(
                Text(visible(each.cause)), Text(bar, style="red"), str(each.count), f"{100 * each.cumulative:.0f} %"
            )
        console.print(table)
    if summary.spreads:
        console.print(Text("\nvalues", style="dim"))
        table = Table.grid(padding=(0, 2, 0, 0))
        several = len({spread.model for spread in summary.spreads}) > 1
        for spread in summary.spreads:
            style = "red" if spread.beyond else "yellow" if spread.drift is not None and spread.drift.sure else ""
            table.add_row(
                Text(f"{spread.model} {title_of(spread.name)}" if several else title_of(spread.name)),
                Text(_told(spread), style=style),
            )
        console.print(table)
