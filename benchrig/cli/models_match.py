"""`benchrig models match`: which model a run's part could be of."""

from __future__ import annotations

import click

from benchrig.cli.output import as_json_option, emit, plain_console, speaks

__all__ = ["match"]


@click.command("match", epilog="Example:  benchrig models match 0042\n\nExample:  benchrig models match C-1042")
@click.argument("run")
@as_json_option
@speaks
def match(run: str, as_json: bool) -> None:
    """Which models of the catalogue a part could be of, by resistance, pull-in, drop-out, flow and polarity.

    RUN is a run's number or a part's tag (its last run). Models with accepted runs in the store are known far better
    than those of which there are only limits.
    """
    from benchrig.application.model_match import match_run, not_on_the_ticket
    from benchrig.application.paths import store_path
    from benchrig.records import Store
    from benchrig.verdict.judgement import sure_text

    store = Store(store_path(), reading=True)
    record = store.run(run, traces=False)
    found = match_run(store, record)
    warning = not_on_the_ticket(store, record)
    if as_json:
        emit(
            {
                "run": record.run,
                "tag": record.intake.tag,
                "ticket": record.intake.model,
                "models": [
                    {"model": each.model, "probability": each.probability, "known_from_runs": each.runs}
                    for each in found
                ],
                "warning": warning,
            }
        )
        return
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False, header_style="dim")
    for heading in ("model", "probability", "known from", ""):
        table.add_column(heading, justify="right" if heading == "probability" else "left")
    for each in found:
        known = f"{each.runs} accepted parts" if each.runs else "its limits alone"
        ticket = "on the ticket" if each.model == record.intake.model else ""
        said = sure_text(each.probability) if each.probability >= 0.005 else "under 1 %"
        table.add_row(Text(each.model), said, known, ticket)
    plain_console().print(table)
    if warning:
        click.secho(f"\n{warning}", fg="yellow")
