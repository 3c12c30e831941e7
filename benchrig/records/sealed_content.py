"""What a seal covers: the rows of a run, check, calibration, withdrawal or decision as they stand in the database.

Every column of these rows enters, whoever reads it and whether or not another column says the same; so does every byte
of the traces. Rows enter in parts that have names, so that a part that was changed can be named. The numbers that the
database gives its rows stand apart: they mean nothing outside this file. What came later than the first seals enters
only where there is something: the seals before it stay as they are.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import sqlalchemy as sa

from benchrig.records.archive.archived_arrays import read_place
from benchrig.records.delivery.numbers import SAME, Numbers

__all__ = ["FIGURES", "KINDS", "Content", "SealedKind", "content_of", "digest_of", "short_parts"]

SealedKind = Literal["run", "run end", "check", "calibration", "withdrawal", "decision"]
FIGURES = 8
"""So many hexadecimal figures of a part's digest are kept beside the seal, to name the part; the seal covers all 64."""

_INTAKE = ("tag", "model", "reason", "operator", "complaint", "findings")
_START = {
    **{name: (name,) for name in _INTAKE},
    "when it began": ("started_at",),
    "simulated or not": ("simulated", "seed"),
    "program": ("program",),
    "limits of the model": ("model_facts",),
    "bench": ("bench", "bench_facts"),
    "first digest": ("start_digest",),
    "batch": ("batch",),
}
_NOT_EMPTY = ("batch",)
_ENDED = {
    **_START,
    "when it ended": ("ended_at",),
    "ending": ("ending",),
    "verdict": ("verdict", "cause", "cause_probability", "disposition", "judgement"),
    "bench seconds": ("bench_seconds",),
    "what went wrong": ("error", "hint", "bench_state"),
    "last digest": ("end_digest",),
}
_RESTS_ON = "what it rests on"
_STEP = ("name", "title", "started_s", "ended_s", "readings", "notes", "skipped", "digest")
_VALUE = ("name", "value", "u", "unit", "how", "bound", "why_not", "parts")
_TRACE = ("name", "samples", "marks", "curves", "arrays")
_SINGLE: dict[str, tuple[str, dict[str, tuple[str, ...]]]] = {
    "check": (
        "checks",
        {
            "bench": ("bench", "simulated", "seed"),
            "when": ("started_at", "ended_at"),
            "operator": ("operator",),
            "passed or not": ("passed",),
            "what was found": ("content",),
            "digest": ("digest",),
        },
    ),
    "calibration": (
        "calibrations",
        {
            "bench": ("bench", "simulated", "seed"),
            "kind": ("kind",),
            "when": ("made_at",),
            "how long it counts": ("until_at",),
            "operator": ("operator",),
            "what was found": ("content",),
            "digest": ("digest",),
        },
    ),
    "withdrawal": (
        "withdrawals",
        {"calibration": ("calibration_id",), "when": ("at",), "operator": ("operator",), "reason": ("reason",)},
    ),
    "decision": (
        "decisions",
        {
            "run": ("run_id",),
            "when": ("at",),
            "operator": ("operator",),
            "disposition": ("disposition",),
            "because": ("because",),
        },
    ),
}


def _select(table: str, columns: tuple[str, ...], where: str) -> sa.TextClause:
    return sa.text(f"SELECT {', '.join(columns)} FROM {table} WHERE {where}")


def _columns(parts: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
    return tuple(column for columns in parts.values() for column in columns)


_ROWS = {
    "run": _select("runs", _columns(_START), "id = :id"),
    "run end": _select("runs", _columns(_ENDED), "id = :id"),
    **{kind: _select(table, _columns(parts), "id = :id") for kind, (table, parts) in _SINGLE.items()},
}
KINDS = frozenset(_ROWS)
_RESTS = _select("rests_on", ("id", "check_id", "calibration_id"), "run_id = :id ORDER BY id")
_STEPS = _select("steps", ("id", "position", *_STEP), "run_id = :id ORDER BY position, id")
_OF_RUN = "step_id IN (SELECT id FROM steps WHERE run_id = :id) ORDER BY step_id, position, id"
_VALUES = _select("characteristics", ("id", "step_id", "position", *_VALUE), _OF_RUN)
_TRACES = _select("traces", ("id", "step_id", "position", *_TRACE), _OF_RUN)


@dataclass(frozen=True)
class Content:
    """What is sealed.

    Attributes
    ----------
    parts : dict
        Name of a part -> SHA-256 of what stands in it, 64 hexadecimal figures.
    digest : str
        SHA-256 over all parts and their names.
    rows : str
        SHA-256 over the numbers that the database gave to the rows; empty where there is but one.
    """

    parts: dict[str, str]
    digest: str
    rows: str


_OF_ANOTHER = {"withdrawal": ("calibration", "calibration"), "decision": ("run", "run")}
"""Kind -> the part that holds nothing but the number of something else, and of what."""


def content_of(connection: sa.Connection, kind: SealedKind, subject: int, numbers: Numbers = SAME) -> Content | None:
    """Read what a seal covers; None when the row is not there.

    Parameters
    ----------
    kind : str
        ``run`` is a run as it begins, ``run end`` the whole of it.
    subject : int
        Its number, as it was sealed.
    numbers : Numbers
        Of the chain that it is sealed in.
    """
    row_id = numbers.here(kind, subject)
    row = None if row_id is None else connection.execute(_ROWS[kind], {"id": row_id}).first()
    if row is None or row_id is None:
        return None
    named = {"run": _START, "run end": _ENDED}.get(kind) or _SINGLE[kind][1]
    found = iter(row)
    told = {name: [next(found) for _ in columns] for name, columns in named.items()}
    if kind in _OF_ANOTHER and not numbers.same:
        part, what = _OF_ANOTHER[kind]
        told[part] = [numbers.sealed(what, told[part][0])]
    parts = {name: digest_of(values) for name, values in told.items() if name not in _NOT_EMPTY or any(values)}
    rows: list[list[Any]] = []
    if kind in ("run", "run end"):
        rests = connection.execute(_RESTS, {"id": row_id}).all()
        parts[_RESTS_ON] = digest_of(
            [
                [numbers.sealed("check", each.check_id), numbers.sealed("calibration", each.calibration_id)]
                for each in rests
            ]
        )
        rows.append([each.id for each in rests])
    if kind == "run end":
        rows += _steps(connection, row_id, parts)
    digest = digest_of([kind, subject, parts])
    return Content(parts, digest, digest_of(rows) if rows else "")


def _steps(connection: sa.Connection, run_id: int, parts: dict[str, str]) -> list[list[Any]]:
    """Add the parts of the steps; return the numbers of their rows."""
    steps = connection.execute(_STEPS, {"id": run_id}).all()
    rows: list[list[Any]] = [[each.id for each in steps]]
    named = {}
    for place, step in enumerate(steps, start=1):
        named[step.id] = f"step {place}"
        parts[f"step {place}"] = digest_of(list(step[1:]))
    for what, query in (("values", _VALUES), ("traces", _TRACES)):
        found = connection.execute(query, {"id": run_id}).all()
        rows.append([each[0] for each in found])
        of_step: dict[int, list[list[Any]]] = {}
        for each in found:
            of_step.setdefault(each.step_id, []).append(list(each[2:]))
        for step_id, content in of_step.items():
            parts[f"{what} of {named[step_id]}"] = digest_of(content)
    return rows


def short_parts(content: Content) -> dict[str, str]:
    """The beginnings of the digests of the parts, as they are kept beside the seal of an end."""
    return {name: digest[:FIGURES] for name, digest in content.parts.items()}


def digest_of(content: object) -> str:
    """SHA-256 of plain content: JSON with sorted keys, bytes by their own SHA-256."""
    return hashlib.sha256(_CONTENT.encode(content).encode("utf-8", "surrogatepass")).hexdigest()


def _bytes(value: object) -> str:
    if not isinstance(value, bytes | memoryview):
        raise TypeError(f"{type(value).__name__} cannot be sealed")
    try:
        moved = read_place(bytes(value))
    except ValueError:
        moved = None
    if moved is not None:  # what stood there was sealed; the samples are held by the steps' digests
        return f"sha256 {moved.sha256}"
    return f"sha256 {hashlib.sha256(value).hexdigest()}"


_CONTENT = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, default=_bytes)
