"""The charts of a check valve as one self-contained HTML page, and on the terminal."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from benchrig.reports.chart_plot import chart_svg
from benchrig.reports.chart_words import Charted, ChartReport, count, said
from benchrig.reports.formatting import local_text, unit_text, visible
from benchrig.reports.template_loading import environment

__all__ = [
    "chart_page_html",
    "print_chart",
]


def chart_page_html(report: ChartReport) -> str:
    """Make the page: a pure function of the report. No network, no script, no other file."""
    from markupsafe import Markup

    order = sorted(report.charted, key=lambda each: not each.now)  # those that warn come first
    blocks = [
        {
            "each": each,
            "unit": unit_text(each.unit),
            "now": [said(each, signal) for signal in each.now],
            "notices": [said(each, signal) for signal in each.notices],
            "limits": _limits(each),
            "svg": Markup(chart_svg(each)),
        }
        for each in order
    ]
    span = f"{local_text(report.first)} to {local_text(report.last)}"
    key = "reject" if report.warns else "accept" if report.ready else "aborted"
    word = "Look at the bench" if report.warns else "Steady" if report.ready else "Not enough runs yet"
    return (
        environment()
        .get_template("chart.html")
        .render(report=report, blocks=blocks, runs=count(len(report.runs), "run"), span=span, key=key, word=word)
    )


def _limits(each: Charted) -> dict[str, str]:
    """The latest value and the limits, with places enough to tell them apart; empty without a chart."""
    if each.chart is None:
        return {}
    limits = each.chart.limits
    values = {"latest": each.chart.values[-1], "low": limits.low, "centre": limits.centre, "high": limits.high}
    return {name: each.number(float(value)) for name, value in values.items()}


def print_chart(report: ChartReport, console: Console) -> None:
    """Print a line for each characteristic, and what to do."""
    console.print(Text(f"Check valve {visible(report.tag)}, {visible(report.model)}: {count(len(report.runs), 'run')}"))
    if report.made_up:
        console.print(Text(report.made_up, style="dim"))
    console.print()
    table = Table(box=None, pad_edge=False, header_style="dim")
    table.add_column("characteristic", overflow="fold")
    for heading in ("latest", "low", "centre", "high"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("", no_wrap=True)
    table.add_column("", overflow="fold", min_width=12)
    for each in report.charted:
        if each.chart is None:
            table.add_row(each.title, "", "", "", "", "", Text(each.why_not, style="dim"))
            continue
        numbers = list(_limits(each).values())
        shown = each.now or each.notices
        style = "red" if each.now else "yellow" if each.notices else "green"
        words = Text("; ".join(said(each, signal) for signal in shown) or "steady", style=style)
        table.add_row(each.title, *numbers, Text(unit_text(each.unit), style="dim"), words)
    console.print(table)
    console.print()
    console.print(Text(report.advice, style="bold" if report.warns else ""))
    for each in report.warns:
        console.print(Text(f"  {each.title}: {each.look}"))
