"""What a counter wants to know besides a run: which models are in use, the day's tally, what a tag has been through."""

from __future__ import annotations

from datetime import UTC, datetime, time

from benchrig.application.batch_tally import BatchTally, PartJudged
from benchrig.catalogue import Catalogue, ValveModel
from benchrig.clock import utc_now
from benchrig.records import RunSummary, Store
from benchrig.records.run_list import RunsWanted

__all__ = ["models_last_used_first", "runs_of_tag", "runs_today", "tally_of", "today"]

LOOKED_AT = 200
"""So many of the newest runs tell which models are in use, and are listed for a day."""


def today() -> datetime:
    """The beginning of the day in the computer's time zone, in UTC."""
    return datetime.combine(utc_now().astimezone().date(), time()).astimezone(UTC)


def models_last_used_first(store: Store, catalogue: Catalogue, *, simulated: bool) -> tuple[ValveModel, ...]:
    """The models that can be used, those tested last first; fictional ones only where the bench is simulated."""
    models, _ = catalogue.readable()
    used = list(dict.fromkeys(run.model for run in store.runs(LOOKED_AT, RunsWanted(simulated=simulated))))
    order = {name: place for place, name in enumerate(used)}
    fit = [model for model in models if simulated or not model.fictional]
    return tuple(sorted(fit, key=lambda model: (order.get(model.model, len(order)), model.model)))


def runs_today(store: Store, *, simulated: bool) -> list[RunSummary]:
    """The runs of the day, newest first."""
    return store.runs(LOOKED_AT, RunsWanted(since=today(), simulated=simulated))


def runs_of_tag(store: Store, tag: str) -> list[RunSummary]:
    """What this part has been through, newest first."""
    return store.runs(LOOKED_AT, RunsWanted(tag=tag))


def tally_of(runs: list[RunSummary]) -> BatchTally:
    """Count the runs that came to a verdict."""
    done = (
        PartJudged(run.tag, run.run, run.verdict, run.cause, run.disposition or "", run.bench_seconds)
        for run in reversed(runs)
        if run.verdict is not None
    )
    return BatchTally(tuple(done))
