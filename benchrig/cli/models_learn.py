"""`benchrig models learn`: limits from known-good parts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from benchrig.cli.output import as_json_option, emit, plain_console, speaks
from benchrig.cli.run_choice import runs_wanted, which_runs

if TYPE_CHECKING:
    from benchrig.application.learning import Learned, LearnedModel

__all__ = ["learn"]


@click.command(
    "learn",
    epilog="Example:  benchrig models learn dogwood-12 --model unknown --batch 'known good'\n\n"
    "Example:  benchrig models learn alder-24-ours --model alder-24 --verdict accept --content 0.99",
)
@click.argument("new_model")
@which_runs
@click.option("--title", help="In words, as it stands on the page.")
@click.option(
    "--content", type=float, default=0.99, show_default=True, help="Each limit holds this part of good parts,"
)
@click.option("--confidence", type=float, default=0.95, show_default=True, help="with this probability.")
@click.option("--look-only", is_flag=True, help="Show what would be learned, and write nothing.")
@as_json_option
@speaks
def learn(
    new_model: str, title: str | None, content: float, confidence: float, look_only: bool, as_json: bool, **which: Any
) -> None:
    """Learn a model's limits from known-good parts that were measured here.

    The options say which runs are of known-good parts; runs of one tag are one part measured again, and what these
    scatter is taken out. Limits are statistical tolerance limits. A person approves the file that is written.
    """
    from benchrig.application.learning import learn as learned_from
    from benchrig.application.learning import write_learned
    from benchrig.application.paths import store_path
    from benchrig.clock import utc_now
    from benchrig.records import Store

    store = Store(store_path(), reading=True)
    learned = learned_from(
        store,
        runs_wanted(store, **which),
        model=new_model,
        title=title or new_model,
        content=content,
        confidence=confidence,
        at=utc_now().astimezone(),
    )
    path, doubts = (None, ()) if look_only else write_learned(learned)
    if as_json:
        emit({**_document(learned), "file": None if path is None else str(path), "doubts": list(doubts)})
        return
    _show(learned)
    if path is None:
        click.echo("\nNothing was written.")
        return
    click.echo(f"\nWritten: {path}\nNobody has approved it yet: look at it, then put your name into approved_by.")
    for doubt in doubts:
        click.secho(f"Doubtful: {doubt}", fg="yellow", err=True)


def _show(learned: LearnedModel) -> None:
    from rich.table import Table
    from rich.text import Text

    from benchrig.analysis.characteristics import CHARACTERISTICS, number_text

    console = plain_console()
    console.print(f"{learned.parts} parts in {learned.runs} runs on {', '.join(learned.benches)}\n")
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 1, 0, 0))
    for heading in ("characteristic", "parts", "mean", "scatter", "low", "high", "unit", "how"):
        table.add_column(heading, justify="left" if heading in ("characteristic", "unit", "how") else "right")
    for each in learned.characteristics:
        about = CHARACTERISTICS[each.name]
        limit = each.limit
        if limit is None:
            table.add_row(about.title, str(len(each.tags)), "", "", "", "", about.unit, "")
            continue
        sides = ["" if side is None else number_text(each.name, side) for side in (limit.low, limit.high)]
        how = f"k = {limit.factor:.2f}" if limit.factor is not None else limit.method
        seen = [number_text(each.name, limit.mean), f"{limit.sd:.2g}"]
        table.add_row(about.title, str(limit.parts), *seen, *sides, about.unit, how)
    console.print(table)
    console.print()
    for each in learned.characteristics:
        for line in _remarks(each):
            console.print(Text(f"{CHARACTERISTICS[each.name].title}: {line}"))
    limited = [each.limit for each in learned.characteristics if each.limit is not None and each.limit.method]
    least = 1 - sum(1 - limit.content for limit in limited)
    if least > 0:
        console.print(
            Text(f"Of good parts at least {100 * least:.3g} % are within all {len(limited)} limits together.")
        )
    said = learned.decided
    console.print(
        Text(
            f"By these limits the stored runs of this model: {said.accept} accept, {said.reject} reject, "
            f"{said.undecided} undecided; {len(said.changed) or 'no'} verdicts would change."
        )
    )
    for run, tag, was, now in said.changed[:10]:
        console.print(Text(f"  run {run}, {tag}: {was}, would be {now}"))


def _remarks(each: Learned) -> list[str]:
    found = []
    if each.why_not:
        found.append(f"no limit: {each.why_not}.")
    limit = each.limit
    if limit is not None and limit.groups:
        found.append(f"the smaller group: {_some([each.tags[at] for at in limit.groups])}.")
    if limit is not None and limit.outliers:
        found.append(f"far from the rest, counted all the same: {_some([each.tags[at] for at in limit.outliers])}.")
    if limit is not None and limit.repeat_sd is not None:
        found.append(f"a part measured again scatters by {limit.repeat_sd:.2g}, which was taken out.")
    if limit is not None and limit.method == "extremes":
        found.append(
            f"not normally distributed (p = {limit.normal_p:.2g}): the extremes of the sample, which hold "
            f"{100 * limit.content:.3g} %."
        )
    if each.left_out and each.limit is not None:
        found.append(f"not measured in {_some(list(each.left_out))}.")
    return found


def _some(tags: list[str]) -> str:
    from benchrig.reports.formatting import visible

    more = f" and {len(tags) - 6} more" if len(tags) > 6 else ""
    return ", ".join(visible(tag) for tag in tags[:6]) + more


def _document(learned: LearnedModel) -> dict[str, Any]:
    from dataclasses import asdict

    return {
        "parts": learned.parts,
        "runs": learned.runs,
        "benches": list(learned.benches),
        "simulated": learned.simulated,
        "characteristics": [
            {
                **({} if each.limit is None else asdict(each.limit)),
                "name": each.name,
                "outliers": [] if each.limit is None else [each.tags[at] for at in each.limit.outliers],
                "groups": [] if each.limit is None else [each.tags[at] for at in each.limit.groups],
                "left_out": list(each.left_out),
                "why_not": each.why_not,
            }
            for each in learned.characteristics
        ],
        "decided": {
            "accept": learned.decided.accept,
            "reject": learned.decided.reject,
            "undecided": learned.decided.undecided,
            "changed": [
                {"run": run, "tag": tag, "was": was, "would_be": now} for run, tag, was, now in learned.decided.changed
            ],
        },
        "text": learned.text,
    }
