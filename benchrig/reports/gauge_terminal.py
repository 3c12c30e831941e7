"""A gauge study on the terminal."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from benchrig.reports.gauge_words import StudyReport
from benchrig.reports.words import visible

__all__ = ["print_study"]

_STYLES = {"good": "green", "marginal": "yellow", "not fit": "red"}


def print_study(report: StudyReport, console: Console) -> None:
    """Print one line for each characteristic, and below what the reader should know."""
    one = len(report.operators) == 1
    console.print(
        Text(f"{report.parts} parts x {len(report.operators)} operator{'' if one else 's'} x {report.trials} trials")
    )
    if report.made_up:
        console.print(Text(report.made_up, style="dim"))
    console.print()
    table = Table(box=None, pad_edge=False, header_style="dim")
    table.add_column("characteristic", overflow="fold")
    for heading in ("GRR %", "95 % limits", "EV %", "AV %", "ndc", "tol. %"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("bench is", no_wrap=True)
    for each in report.studied:
        study = each.study
        if study is None:
            table.add_row(each.title, *[""] * 6, Text("not analysed", style="dim"))
            continue
        share = {name: f"{component.study_percent:.1f}" for name, component in study.components.items()}
        table.add_row(
            each.title,
            share["GRR"],
            f"{study.grr_low_percent:.1f} to {study.grr_high_percent:.1f}",
            share["EV"],
            "–" if one else share["AV"],
            "–" if study.ndc is None else str(study.ndc),
            "–" if study.tolerance_percent is None else f"{study.tolerance_percent:.1f}",
            Text(study.fitness, style=_STYLES[study.fitness]),
        )
    console.print(table)
    console.print()
    console.print(
        Text(
            "EV repeatability, AV reproducibility, GRR both, as parts of the variation seen in this study:\n"
            "GRR under 10 % is good, to 30 % marginal, over 30 % not fit. ndc: categories told apart, 5 are wanted.\n"
            "tol. %: six standard deviations of GRR over the width of the tolerance.",
            style="dim",
        )
    )
    for each in report.studied:
        if each.why_not:
            console.print(Text(f"{each.title}: not analysed: {visible(each.why_not)}"))
        if each.ranges is not None:
            for part, operator, spread in each.ranges.beyond:
                console.print(
                    Text(
                        f"{each.title}: repeats out of control: part {visible(part)}, operator {visible(operator)} "
                        f"({spread:.3g}, at most {each.ranges.range_limit:.3g}); measure that cell again."
                    )
                )
