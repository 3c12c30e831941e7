"""A run on the terminal: verdict, table, what to do. Plain text where there is no terminal."""

from __future__ import annotations

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from benchrig.records.model import RunRecord
from benchrig.reports.words import Row, rows, verdict_words, visible

__all__ = ["print_run"]

_STYLES = {"accept": "bold green", "reject": "bold red", "undecided": "bold yellow", "aborted": "bold magenta"}
_OUTCOMES = {
    "pass": "green",
    "conditional pass": "yellow",
    "conditional fail": "red",
    "fail": "bold red",
    "not measured": "yellow",
}


def print_run(record: RunRecord, console: Console) -> None:
    """Print a run.

    Parameters
    ----------
    record : RunRecord
        The run, from the store.
    console : Console
        Where to; without a terminal behind it, no colours are sent. Typed text is printed as it is, never as markup.
    """
    said = verdict_words(record)
    head = Text()
    head.append(said.word.upper(), style=_STYLES[said.key])
    head.append(f"   {visible(record.intake.tag)}", style="bold")
    head.append(f"   {visible(record.intake.model)}, run {record.run}")
    if record.bench.simulated:
        head.append("   (simulated bench: nothing here is real)", style="dim")
    console.print(head)
    console.print(Text(visible(said.says)))
    found = rows(record)
    if found:
        console.print()
        console.print(_table(found))
    console.print()
    for label, text in _below(record):
        console.print(Padding(Text.assemble((f"{label:<13}", "dim"), text), 0))


def _table(found: tuple[Row, ...]) -> Table:
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    table.add_column("characteristic")
    table.add_column("measured", justify="right", no_wrap=True)
    table.add_column("")
    table.add_column("limit", justify="right", no_wrap=True)
    table.add_column("outcome", no_wrap=True)
    for row in found:
        style = _OUTCOMES.get(row.outcome, "dim")
        table.add_row(
            Text(row.title),
            Text(row.value),
            Text(row.unit, style="dim"),
            Text(row.limit if row.limit != "none" else ""),
            Text(f"{row.sign} {row.outcome}", style=style),
        )
    return table


def _below(record: RunRecord) -> list[tuple[str, str]]:
    lines: list[tuple[str, str]] = []
    judgement = record.judgement
    if judgement is not None:
        if judgement.cause is not None and judgement.cause_probability is not None:
            because = next((cause.because for cause in judgement.causes if cause.name == judgement.cause), "")
            sure = f"{judgement.cause} ({100 * judgement.cause_probability:.0f} %)"
            lines.append(("likely cause", f"{sure}: {visible(because)}" if because else sure))
        lines.append(("what to do", f"{judgement.disposition}. {visible(judgement.disposition_why)}"))
    else:
        if record.bench_state:
            lines.append(("bench", visible(record.bench_state)))
        if record.hint:
            lines.append(("check", visible(record.hint)))
    lines += [("left out", f"{step.title}: {visible(step.skipped)}") for step in record.steps if step.skipped]
    lines += [("note", visible(note)) for note in record.notes]
    return lines
