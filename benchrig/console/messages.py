"""What the bench process tells: the application's events as plain documents, one to a line of JSON."""

from __future__ import annotations

import json
from typing import Any

from benchrig.application.events import (
    BenchOpened,
    Checked,
    Connected,
    Event,
    PageNotWritten,
    ReferenceRead,
    RunOpened,
    RunPlanned,
    Sampled,
    StepBegan,
    StepEnded,
    Uncalibrated,
    WarmOffered,
    Warned,
    WorkProgress,
)
from benchrig.reports.bench_text import allowed_text, sign_of, value_of
from benchrig.reports.step_gist import step_gist

__all__ = ["event_document", "line_of"]


def line_of(document: dict[str, Any]) -> bytes:
    """One line of JSON; not-a-number never appears in it."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode() + b"\n"


def event_document(event: Event) -> dict[str, Any] | None:
    """An event as the page takes it; None where the page does not show it."""
    match event:
        case BenchOpened(name, simulated):
            return {"say": "bench", "name": name, "simulated": simulated}
        case Warned(text):
            return {"say": "warned", "text": text}
        case Uncalibrated(missing):
            return {"say": "uncalibrated", "missing": list(missing)}
        case WarmOffered(asked):
            return None if asked else {"say": "warned", "text": "The complaint speaks of heat; this run is cold."}
        case RunOpened(run):
            return {"say": "run", "run": run}
        case RunPlanned(seconds):
            return {"say": "plan", "seconds": round(seconds, 1)}
        case StepBegan(name, title, number, of, expected_s):
            return {"say": "step", "name": name, "title": title, "number": number, "of": of, "expected_s": expected_s}
        case WorkProgress(what, done_s, expected_s, reading):
            shown = {"what": what, "done_s": round(done_s, 2), "expected_s": round(expected_s, 2), "reading": reading}
            return {"say": "progress", **shown}
        case Sampled(curve, _, number, from_s, after_s, values):
            points = {"curve": curve, "set": number, "from_s": from_s, "after_s": after_s, "values": values}
            return {"say": "samples", **points}
        case StepEnded(step):
            seconds, gist = round(step.ended_s - step.started_s, 1), "" if step.skipped else step_gist(step)
            return {"say": "did", "title": step.title, "seconds": seconds, "gist": gist, "skipped": step.skipped}
        case Connected(fitting, during):
            return {"say": "connected", "fitting": fitting.value, "during": during}
        case ReferenceRead(what, value, unit):
            return {"say": "read", "what": what, "value": value, "unit": unit}
        case Checked(item):
            found = {"sign": sign_of(item), "value": value_of(item), "allowed": allowed_text(item)}
            words = {"title": item.title, "outcome": item.outcome, "why": item.why, "to_do": item.to_do}
            return {"say": "checked", **words, **found}
        case PageNotWritten(_, folder, why):
            return {"say": "warned", "text": f"The page could not be written into {folder}: {why}. The record is safe."}
        case _:
            return None
