"""Which models of the catalogue a run's part could be of, and whether it is the one on the ticket."""

from __future__ import annotations

from typing import Literal

from benchrig.application.paths import model_folders
from benchrig.catalogue import Catalogue
from benchrig.records import RunRecord, Store
from benchrig.records.usual_values import usual_values
from benchrig.verdict.model_match import FAR_BETTER, TELLS_NOTHING, Fit, by_limits, by_runs, fits

__all__ = ["match_run", "not_on_the_ticket"]

LEAST_OPEN_LPM = 0.5
"""From so much flow a valve let air in when it was told to open."""


def match_run(store: Store, record: RunRecord) -> tuple[Fit, ...]:
    """How well each model of the catalogue fits the part of a run, the likeliest first."""
    with store.reading() as connection:
        number = int(record.run) if record.run.isdigit() else None
        values = usual_values(connection, TELLS_NOTHING, simulated=record.bench.simulated, but=number)
    models = [each for each in Catalogue(model_folders()).readable()[0] if record.bench.simulated or not each.fictional]
    signatures = [by_runs(by_limits(m.model, m.normally, m.limits), values.get(m.model, {})) for m in models]
    found = {each.name: each for step in record.steps for each in step.characteristics}
    return fits(found, _works_as(record), signatures)


def _works_as(record: RunRecord) -> Literal["closed", "open", ""]:
    """The valve's state without current, where it was seen both to hold and to let in."""
    found = {each.name: each for step in record.steps for each in step.characteristics}
    leak, flow = found.get("hold_leak_sccm"), found.get("flow_at_rated_vacuum_lpm_anr")
    if leak is None or leak.value is None or flow is None or flow.value is None:
        return ""
    return record.model.normally if flow.value > LEAST_OPEN_LPM and leak.bound != "above" else ""


def not_on_the_ticket(store: Store, record: RunRecord) -> str:
    """A sentence where another model fits far better than the one that was named; empty where none does."""
    if record.judgement is None or record.model.general_practice:
        return ""
    found = match_run(store, record)
    named = next((each for each in found if each.model == record.model.model), None)
    if named is None or not found or found[0].model == named.model:
        return ""
    if found[0].probability < FAR_BETTER * named.probability:
        return ""
    return (
        f"This is probably not the part on the ticket: it measures as {found[0].model}, not as {named.model}. Compare "
        "the part number."
    )
