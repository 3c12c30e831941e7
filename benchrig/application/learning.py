"""Limits of a valve model learned from known-good parts that were measured here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

import numpy as np

from benchrig.analysis.characteristics import CHARACTERISTICS
from benchrig.analysis.results import Characteristic
from benchrig.analysis.statistics.tolerance_interval import Sides
from benchrig.analysis.studies.learned_limit import LEAST_PARTS, LearnedLimit, learn_limit
from benchrig.application.new_model import write_new_model
from benchrig.catalogue import read_model
from benchrig.catalogue.new_model import NewLimit, model_text
from benchrig.errors import ConfigError
from benchrig.records import RunRecord, Store
from benchrig.records.run_list import RunsWanted
from benchrig.verdict.conformity import guard_band_width, judge

__all__ = ["LEARNED", "Decided", "Learned", "LearnedModel", "learn", "write_learned"]

LEARNED: Mapping[str, Sides] = {
    "coil_resistance_20c_ohm": "both",
    "hold_leak_sccm": "high",
    "flow_at_rated_vacuum_lpm_anr": "low",
    "opening_delay_ms": "high",
    "pull_in_time_ms": "high",
    "drop_out_time_ms": "high",
    "click_spread_ms": "high",
}
"""What is learned, and on which sides it is limited."""
GUARD_BAND = "0.83 U"
"""Of the model that is made. A limit lies that far outside of what good parts have, by the median uncertainty of their
measurements, so that a part at the edge of the good ones passes."""


@dataclass(frozen=True)
class Learned:
    """One characteristic. `tags` are the parts in the order of `limit`'s numbers; `left_out` had no value of it."""

    name: str
    sides: Sides
    limit: LearnedLimit | None
    tags: tuple[str, ...]
    left_out: tuple[str, ...]
    why_not: str


@dataclass(frozen=True)
class Decided:
    """What the learned limits would have said of stored runs of the model: counts, and those that change."""

    accept: int
    reject: int
    undecided: int
    changed: tuple[tuple[str, str, str, str], ...]
    """Run, tag, verdict as it was, verdict by the learned limits."""


@dataclass(frozen=True)
class LearnedModel:
    """What was learned, and the model file that it makes."""

    characteristics: tuple[Learned, ...]
    runs: int
    parts: int
    benches: tuple[str, ...]
    simulated: bool
    decided: Decided
    text: str


def learn(
    store: Store,
    wanted: RunsWanted,
    *,
    model: str,
    title: str,
    content: float,
    confidence: float,
    at: datetime,
    names: Sequence[str] = tuple(LEARNED),
) -> LearnedModel:
    """Learn a model's limits from runs of known-good parts; several runs of one tag are one part measured again.

    Parameters
    ----------
    wanted : RunsWanted
        Which runs: those of the known-good parts. Runs that did not end, and the check valve's, are left out.
    content, confidence : float
        Each limit holds at least this part of all good parts, with this probability.
    at : datetime
        For the words in the file.

    Raises
    ------
    ConfigError
        Too few parts, parts of several models, of the simulated and of a real bench, or no limit could be learned.
    """
    numbers = store.numbers(wanted)
    records = [
        record
        for record in store.read(numbers, traces=False)
        if record.judgement is not None and record.intake.reason != "check-valve"
    ]
    parts: dict[str, list[RunRecord]] = {}
    for record in records:
        parts.setdefault(record.intake.tag, []).append(record)
    _check(records, parts, content, confidence)
    found = tuple(_learned(name, parts, content, confidence) for name in names)
    limits = [
        NewLimit(
            each.name,
            _rounded(each.limit.low),
            _rounded(each.limit.high),
            f"learned from {each.limit.parts} good parts, {at:%Y-%m-%d}, content {100 * each.limit.content:.3g} %, "
            f"confidence {100 * confidence:g} %, {each.limit.method}",
        )
        for each in found
        if each.limit is not None and each.limit.method
    ]
    if not limits:
        why = "; ".join(f"{CHARACTERISTICS[each.name].title}: {each.why_not}" for each in found)
        raise ConfigError(
            f"No limit could be learned. {why}.", hint="Measure more known-good parts of one model, with --full."
        )
    last = records[-1].model
    benches = tuple(sorted({record.bench.name for record in records}))
    simulated = records[0].bench.simulated
    text = model_text(
        model,
        title,
        last.normally,
        limits,
        rated_vacuum_kpa=last.rated_vacuum_kpa,
        fictional=simulated,
        learned=True,
        notes=f"Learned from {len(parts)} parts ({len(records)} runs) of {last.model} on {', '.join(benches)}.",
    )
    return LearnedModel(found, len(records), len(parts), benches, simulated, _decided(store, last.model, text), text)


def write_learned(learned: LearnedModel) -> tuple[Path, tuple[str, ...]]:
    """Put the model's file into the workshop's folder; nobody can test by it before a person has approved it."""
    return write_new_model(learned.text)


def _check(records: Sequence[RunRecord], parts: Mapping[str, object], content: float, confidence: float) -> None:
    if not 0.5 <= content < 1 or not 0.5 <= confidence < 1:
        raise ConfigError(
            f"Content {content:g} and confidence {confidence:g}: both lie between 0.5 and 1.",
            hint="Usual: 0.95 and 0.95.",
        )
    if len(parts) < LEAST_PARTS:
        raise ConfigError(
            f"{len(parts)} parts are too few to learn limits from: it takes {LEAST_PARTS} at least, and 30 give limits "
            "that are a quarter narrower.",
            hint="Measure more known-good parts of this model. Until then: --model unknown.",
        )
    models = sorted({record.model.model for record in records})
    if len(models) > 1:
        raise ConfigError(
            f"These runs are of {len(models)} models: {', '.join(models)}.", hint="Name the one by --model."
        )
    if len({record.bench.simulated for record in records}) > 1:
        raise ConfigError(
            "These runs are of a simulated bench and of a real one.", hint="Say which by --real or --only-simulated."
        )


def _learned(name: str, parts: Mapping[str, Sequence[RunRecord]], content: float, confidence: float) -> Learned:
    values: dict[str, list[float]] = {}
    spreads: list[float] = []
    for tag, records in parts.items():
        found = [each for record in records if (each := _measured(record, name)) is not None]
        if found:
            values[tag] = [each.value for each in found if each.value is not None]
            spreads += [each.u or 0.0 for each in found]
    left_out = tuple(tag for tag in parts if tag not in values)
    tags, sides = tuple(values), LEARNED[name]
    if len(values) < LEAST_PARTS:
        why = f"only {len(values)} of {len(parts)} parts have a value of it, it takes {LEAST_PARTS}"
        return Learned(name, sides, None, tags, left_out, why)
    limit = learn_limit(
        [np.array(each) for each in values.values()],
        sides,
        content=content,
        confidence=confidence,
        from_zero=CHARACTERISTICS[name].from_zero,
        allowance=guard_band_width(GUARD_BAND, float(np.median(spreads))),
    )
    return Learned(name, sides, limit, tags, left_out, limit.why_not)


def _measured(record: RunRecord, name: str) -> Characteristic | None:
    for step in record.steps:
        for each in step.characteristics:
            if each.name == name and not each.bound and each.value is not None:
                return each
    return None


def _rounded(value: float | None) -> float | None:
    """Four figures: more than anything here is known to."""
    return None if value is None else float(f"{value:.4g}")


def _decided(store: Store, model: str, text: str) -> Decided:
    """Hold what all stored runs of that model measured against the learned limits."""
    valve = read_model(text, where="as learned")
    counts: dict[Literal["accept", "reject", "undecided"], int] = {"accept": 0, "reject": 0, "undecided": 0}
    changed = []
    for record in store.read(store.numbers(RunsWanted(model=model)), traces=False):
        if record.judgement is None or record.intake.reason == "check-valve":
            continue
        found = {each.name: each for step in record.steps for each in step.characteristics}
        outcomes = {
            judge(found[limit.name], limit, valve.guard_band).outcome if limit.name in found else "not measured"
            for limit in valve.limits
        }
        now: Literal["accept", "reject", "undecided"] = (
            "reject" if "fail" in outcomes else "accept" if outcomes == {"pass"} else "undecided"
        )
        counts[now] += 1
        if now != record.judgement.verdict:
            changed.append((record.run, record.intake.tag, record.judgement.verdict, now))
    return Decided(counts["accept"], counts["reject"], counts["undecided"], tuple(changed))
