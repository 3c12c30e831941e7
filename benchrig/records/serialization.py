"""Results as plain content (what JSON can hold), and back from it."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from benchrig.analysis.results import Characteristic, Curve, Samples, Trace
from benchrig.bench.traceability import TraceabilityItem
from benchrig.clock import SinceBoot
from benchrig.records.archive.archived_arrays import ArchivedArrays
from benchrig.sequencer.events import BenchFacts, Intake, ModelFacts
from benchrig.verdict.judgement import Cause, Judged, Judgement, Limit

__all__ = [
    "TraceContent",
    "bench_content",
    "bench_from",
    "canonical",
    "characteristic_content",
    "characteristic_from",
    "intake_content",
    "judgement_content",
    "judgement_from",
    "model_content",
    "model_from",
    "number",
    "parts_content",
    "parts_from",
    "readings_content",
    "readings_from",
    "text",
    "texts_content",
    "trace_content",
    "trace_from",
]


def canonical(content: object) -> str:
    """Content as JSON text, the same for the same content: sorted keys, no spaces, shortest exact floats, no NaN.

    A dataclass is an object with its fields, a date or an instant is ISO 8601 text.
    """
    return _CANONICAL.encode(content)


def _plain(value: object) -> object:
    return value.isoformat() if isinstance(value, date) else vars(value)


_CANONICAL = json.JSONEncoder(
    sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False, default=_plain
)


def number(value: float | None) -> float | None:
    """A number as the store keeps it: a float, or None when it is missing or not finite."""
    if value is None or not math.isfinite(value):
        return None
    return float(value)


def text(value: str) -> str:
    """Text as the store keeps it: half characters (a damaged command line can hold some) become question marks.

    So do characters of the number 0, which PostgreSQL does not take.
    """
    whole = value if value.isascii() else value.encode("utf-8", "replace").decode("utf-8")
    return whole.replace("\0", "?")


def texts_content(several: Iterable[str]) -> list[str]:
    """Plain content of notes, remarks and the like."""
    return [text(each) for each in several]


# -- characteristics


def characteristic_content(each: Characteristic) -> dict[str, Any]:
    """Plain content of one characteristic."""
    return {
        "name": each.name,
        "value": number(each.value),
        "u": number(each.u),
        "unit": each.unit,
        "how": text(each.how),
        "bound": each.bound,
        "why_not": text(each.why_not),
        "parts": parts_content(each.parts),
    }


def characteristic_from(content: Mapping[str, Any]) -> Characteristic:
    """Back from `characteristic_content`."""
    return Characteristic(**{**content, "parts": parts_from(content["parts"])})


def parts_content(parts: Iterable[tuple[str, float]]) -> list[list[Any]]:
    """Plain uncertainty budget in its order: what contributes, and how much or None."""
    return [[text(label), number(u)] for label, u in parts]


def parts_from(content: list[list[Any]]) -> tuple[tuple[str, float], ...]:
    """Back from `parts_content`; a missing contribution comes back as NaN."""
    return tuple((label, math.nan if u is None else u) for label, u in content)


def readings_content(readings: Mapping[str, tuple[float, str]]) -> list[list[Any]]:
    """Plain readings in their order: label, value or None, unit."""
    return [[text(label), number(value), unit] for label, (value, unit) in readings.items()]


def readings_from(content: list[list[Any]]) -> dict[str, tuple[float, str]]:
    """Back from `readings_content`; a missing value comes back as NaN."""
    return {label: (math.nan if value is None else value, unit) for label, value, unit in content}


# -- facts


def intake_content(intake: Intake) -> dict[str, str]:
    """Plain content of the intake. The batch is left out where there is none, as it once was."""
    return {
        **({"batch": text(intake.batch)} if intake.batch else {}),
        "tag": text(intake.tag),
        "model": text(intake.model),
        "reason": intake.reason,
        "operator": text(intake.operator),
        "complaint": text(intake.complaint),
        "findings": text(intake.findings),
    }


def _limit_content(limit: Limit) -> dict[str, Any]:
    return {
        "name": limit.name,
        "low": number(limit.low),
        "high": number(limit.high),
        "limit_from": text(limit.limit_from),
    }


def model_content(model: ModelFacts) -> dict[str, Any]:
    """Plain content of the valve model's facts."""
    return {
        "model": text(model.model),
        "title": text(model.title),
        "normally": model.normally,
        "rated_vacuum_kpa": number(model.rated_vacuum_kpa),
        "guard_band": model.guard_band,
        "limits": [_limit_content(limit) for limit in model.limits],
        "fictional": bool(model.fictional),
    }


def model_from(content: Mapping[str, Any]) -> ModelFacts:
    """Back from `model_content`."""
    return ModelFacts(**{**content, "limits": tuple(Limit(**limit) for limit in content["limits"])})


def bench_content(bench: BenchFacts) -> dict[str, Any]:
    """Plain content of the bench's facts. What a run rests on is left out where there is nothing, as it once was."""
    rests_on: dict[str, Any] = {}
    if bench.grounds:
        rests_on["grounds"] = [[each.kind, each.number, text(each.says)] for each in bench.grounds]
    for key in ("uncalibrated", "remarks"):
        if getattr(bench, key):
            rests_on[key] = texts_content(getattr(bench, key))
    if bench.address:
        rests_on["address"] = text(bench.address)
    if bench.since_boot is not None:
        rests_on["since_boot"] = [text(bench.since_boot.boot), number(bench.since_boot.seconds)]
    return {
        **rests_on,
        "name": text(bench.name),
        "workshop": text(bench.workshop),
        "simulated": bool(bench.simulated),
        "board": text(bench.board),
        "meter": text(bench.meter),
        "bench_file_sha256": bench.bench_file_sha256,
        "constants": [
            [text(name), number(value), number(u), unit] for name, (value, u, unit) in bench.constants.items()
        ],
    }


def bench_from(content: Mapping[str, Any]) -> BenchFacts:
    """Back from `bench_content`."""
    constants = {
        name: (math.nan if value is None else value, math.nan if u is None else u, unit)
        for name, value, u, unit in content["constants"]
    }
    grounds = tuple(TraceabilityItem(kind, number, said) for kind, number, said in content.get("grounds", ()))
    told = {key: tuple(content.get(key, ())) for key in ("uncalibrated", "remarks")}
    booted = SinceBoot(*content["since_boot"]) if "since_boot" in content else None
    return BenchFacts(**{**content, **told, "constants": constants, "grounds": grounds, "since_boot": booted})


# -- judgement


def judgement_content(judgement: Judgement) -> dict[str, Any]:
    """Plain content of the verdict and all that it rests on."""
    return {
        "verdict": judgement.verdict,
        "why": text(judgement.why),
        "cause": judgement.cause,
        "cause_probability": number(judgement.cause_probability),
        "causes": [
            {"name": cause.name, "probability": number(cause.probability), "because": text(cause.because)}
            for cause in judgement.causes
        ],
        "disposition": judgement.disposition,
        "disposition_why": text(judgement.disposition_why),
        "judged": [
            {
                "characteristic": characteristic_content(each.characteristic),
                "limit": None if each.limit is None else _limit_content(each.limit),
                "outcome": each.outcome,
                "p_conform": number(each.p_conform),
                "why": text(each.why),
            }
            for each in judgement.judged
        ],
    }


def judgement_from(content: Mapping[str, Any]) -> Judgement:
    """Back from `judgement_content`."""
    judged = tuple(
        Judged(
            characteristic=characteristic_from(each["characteristic"]),
            limit=None if each["limit"] is None else Limit(**each["limit"]),
            outcome=each["outcome"],
            p_conform=each["p_conform"],
            why=each["why"],
        )
        for each in content["judged"]
    )
    causes = tuple(Cause(**cause) for cause in content["causes"])
    return Judgement(**{**content, "causes": causes, "judged": judged})


# -- traces


@dataclass(frozen=True)
class TraceContent:
    """A trace as the store keeps it: arrays by name, and plain content that refers to them by position."""

    name: str
    samples: int
    marks: list[list[Any]]
    curves: list[list[str]]
    arrays: Mapping[str, Samples] | ArchivedArrays


def trace_content(trace: Trace) -> TraceContent:
    """Take a trace apart: ``time_s``, the columns by name, and ``curve N time_s`` / ``curve N values``."""
    arrays: dict[str, Samples] = {"time_s": trace.time_s, **trace.columns}
    for position, (_, curve) in enumerate(trace.curves):
        arrays[f"curve {position} time_s"] = curve.time_s
        arrays[f"curve {position} values"] = curve.values
    return TraceContent(
        name=trace.name,
        samples=len(trace.time_s),
        marks=[[text(label), number(t_s)] for label, t_s in trace.marks.items()],
        curves=[[column, text(curve.label)] for column, curve in trace.curves],
        arrays=arrays,
    )


def trace_from(content: TraceContent) -> Trace:
    """Back from `trace_content`."""
    if isinstance(content.arrays, ArchivedArrays):
        raise TypeError("these arrays are in an archive file")
    arrays = dict(content.arrays)
    curves = tuple(
        (column, Curve(label, arrays.pop(f"curve {position} time_s"), arrays.pop(f"curve {position} values")))
        for position, (column, label) in enumerate(content.curves)
    )
    time_s = arrays.pop("time_s")
    marks = {label: math.nan if t_s is None else t_s for label, t_s in content.marks}
    return Trace(content.name, time_s, arrays, marks, curves)
