"""A run on the terminal: verdict, table, what to do. Plain text where there is no terminal."""

from __future__ import annotations

from collections.abc import Callable

from rich.console import Console
from rich.table import Table
from rich.text import Text

from benchrig.records.run_record import RunRecord
from benchrig.reports.formatting import Row, limit_without_unit, rows, value_text, verdict_words, visible
from benchrig.reports.lookups import measured
from benchrig.reports.page_text import PRACTICE_ONLY
from benchrig.reports.retest import retest
from benchrig.reports.seal_words import broken_lines, seal_line
from benchrig.spelling import SPELLED
from benchrig.verdict.judgement import sure_text

__all__ = ["fitting", "print_run", "print_verdict"]

_STYLES = {"accept": "bold green", "reject": "bold red", "undecided": "bold yellow", "aborted": "bold magenta"}
_OUTCOMES = {
    "pass": "green",
    "conditional pass": "yellow",
    "conditional fail": "red",
    "fail": "bold red",
    "not measured": "yellow",
}
_ASCII = str.maketrans(SPELLED)


def print_run(record: RunRecord, console: Console, before: RunRecord | None = None) -> None:
    """Print a run.

    Parameters
    ----------
    record : RunRecord
        The run, from the store.
    console : Console
        Where to; without a terminal behind it, no colours are sent. Typed text is printed as it is, never as markup.
    before : RunRecord or None
        The run of the same part before this one: what has changed is told.
    """
    fit = fitting(console)
    said = verdict_words(record)
    head = Text()
    head.append(fit(said.word.upper()), style=_STYLES[said.key])
    head.append(fit(f"   {visible(record.intake.tag)}"), style="bold")
    as_was = f" (recorded as {record.own_name})" if record.recorded_as else ""
    head.append(fit(f"   {visible(record.intake.model)}, run {record.run}{as_was}"))
    broken = broken_lines(record)
    if broken:
        console.print(Text("THIS RECORD IS NOT AS IT WAS SEALED. Do not rely on it.", style="bold red"))
        for each in broken:
            console.print(Text(fit(f"  {visible(each)}"), style="red"))
    console.print(head)
    if record.bench.simulated:
        console.print(Text("simulated bench: nothing here is a real part", style="dim"))
    if record.model.general_practice:
        console.print(Text(fit(PRACTICE_ONLY), style="bold yellow"))
    if record.bench.uncalibrated:
        console.print(Text(fit(f"UNCALIBRATED: {visible('; '.join(record.bench.uncalibrated))}"), style="bold yellow"))
    console.print(Text(fit(visible(said.says))))
    found = rows(record)
    if found:
        console.print()
        console.print(_table(record, found, fit))
    below = Table.grid(padding=(0, 2, 0, 0))
    for label, text in [*_below(record), *([] if before is None else _since(before, record))]:
        below.add_row(Text(label, style="dim"), Text(fit(text)))
    console.print()
    console.print(below)


def print_verdict(record: RunRecord, console: Console) -> None:
    """Print the verdict and what to do in one line, to close with: the head of a long text scrolls away."""
    said = verdict_words(record)
    fit = fitting(console)
    line = Text(fit(said.word.upper()), style=_STYLES[said.key])
    line.append(fit(f"   {visible(record.intake.tag)}"), style="bold")
    if record.judgement is not None:
        line.append(fit(f"   {record.judgement.disposition}"))
    console.print(line)


def fitting(console: Console) -> Callable[[str], str]:
    """Give a function that replaces what the terminal's encoding cannot say, so that printing never fails."""

    def fit(text: str) -> str:
        try:
            text.encode(console.encoding)
        except UnicodeEncodeError:
            return text.translate(_ASCII).encode(console.encoding, "replace").decode(console.encoding)
        return text

    return fit


def _table(record: RunRecord, found: tuple[Row, ...], fit: Callable[[str], str]) -> Table:
    # One space between columns and room to fold: the longest outcome just fits into 80 columns.
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 1, 0, 0))
    table.add_column("characteristic", overflow="fold")
    table.add_column("measured", justify="right", no_wrap=True)
    table.add_column("", overflow="fold")
    table.add_column("limit", justify="right", no_wrap=True)
    table.add_column("outcome", overflow="fold")
    for row in found:
        table.add_row(
            Text(fit(row.title)),
            Text(fit(value_text(measured(record, row.name)))),
            Text(fit(row.unit), style="dim"),
            # Signs for words: the terminal is narrow.
            Text(
                fit("" if row.limit == "none" else limit_without_unit(row.allowed, most="≤ ", least="≥ ", between="–"))
            ),
            Text(fit(f"{row.sign} {row.outcome}"), style=_OUTCOMES.get(row.outcome, "dim")),
        )
    return table


def _since(before: RunRecord, record: RunRecord) -> list[tuple[str, str]]:
    found = retest(before, record)
    said = [
        f"{each.title} {_with_unit(each.before, each.unit)} → {_with_unit(each.now, each.unit)}: "
        f"{each.before_outcome} → {each.now_outcome}"
        for each in found.changes
    ]
    head = f"run {found.run}, {found.day}: {found.says}"
    return [("tested before", head), *(("since then", visible(text)) for text in said or ["no outcome has changed"])]


def _with_unit(value: str, unit: str) -> str:
    return value if value == "not measured" else f"{value} {unit}".rstrip()


def _below(record: RunRecord) -> list[tuple[str, str]]:
    lines: list[tuple[str, str]] = []
    judgement = record.judgement
    if judgement is not None:
        if judgement.cause is not None and judgement.cause_probability is not None:
            because = next((cause.because for cause in judgement.causes if cause.name == judgement.cause), "")
            sure = f"{judgement.cause} ({sure_text(judgement.cause_probability)})"
            lines.append(("likely cause", f"{sure}: {visible(because)}" if because else sure))
        lines.append(("what to do", f"{judgement.disposition}. {visible(judgement.disposition_why)}"))
    else:
        if record.bench_state:
            lines.append(("bench", visible(record.bench_state)))
        if record.hint:
            lines.append(("check", visible(record.hint)))
    lines += [
        (
            "decided",
            f"{each.disposition}, {each.at.astimezone():%Y-%m-%d} by {visible(each.operator)}: {visible(each.because)}",
        )
        for each in record.decisions
    ]
    lines += [
        ("since", f"{each.at.astimezone():%Y-%m-%d}: {visible(each.says)}")
        for each in record.later
        if each.kind != "decision"
    ]
    if record.bench.grounds:
        kinds = ("" if each.kind == "check" else f" ({each.kind})" for each in record.bench.grounds)
        named = (f"{each.name}{kind}" for each, kind in zip(record.bench.grounds, kinds, strict=True))
        lines.append(("rests on", ", ".join(named)))
    lines += [("left out", f"{step.title}: {visible(step.skipped)}") for step in record.steps if step.skipped]
    lines += [("note", visible(note)) for note in record.notes]
    if record.away is not None:
        lines.append(("traces", visible(record.away.why_not or f"in the archive file {record.away.file}")))
    if record.seal is not None:
        sealed = record.seal.head or seal_line(record)
        lines.append(("seal", f"{sealed} of {visible(record.seal.chain)}" if record.seal.number else sealed))
    return lines
