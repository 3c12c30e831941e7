"""A gauge study on the terminal."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from benchrig.reports.formatting import visible
from benchrig.reports.gauge_words import StudyReport, answer, percent_text

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
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 1, 0, 0))
    table.add_column("characteristic", overflow="fold")
    for heading in ("tol. %", "GRR %", "limits", "ndc"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("the bench", overflow="fold")
    for each in report.studied:
        study = each.study
        if study is None:
            table.add_row(each.title, *[""] * 4, Text("not analysed", style="dim"))
            continue
        table.add_row(
            each.title,
            "–" if study.tolerance_percent is None else percent_text(study.tolerance_percent),
            percent_text(study.components["GRR"].study_percent),
            f"{percent_text(study.grr_low_percent)} to {percent_text(study.grr_high_percent)}",
            "–" if study.ndc is None else str(study.ndc),
            Text(answer(study), style=_STYLES[study.fitness]),
        )
    console.print(table)
    console.print()
    console.print(
        Text(
            "Where there is a tolerance it decides: tol. % is six standard deviations of the bench (GRR, repeatability "
            "and reproducibility) over its width. GRR % is the bench's part of what was seen among these parts, with "
            "95 % limits; parts that are all alike make any bench look poor. Of either, under 10 % is good, to 30 % "
            "marginal, over 30 % not fit. ndc: categories of parts told apart; 5 are wanted.",
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
