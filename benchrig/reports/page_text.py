"""The sentences and lists of a run's page that are made from its record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from benchrig.records.run_record import RunRecord
from benchrig.reports.formatting import COVERAGE, Row, in_print, unit_text, with_spread
from benchrig.verdict.judgement import sure_text

__all__ = [
    "Remark",
    "as_sentence",
    "causes",
    "constants",
    "cut",
    "limits_from",
    "made_up",
    "notes",
    "reading_guide",
    "readings",
    "remarks",
]

BESIDE = 44
"""A longer reason goes to the back of the page."""
_GUARD_BANDS = {
    "0.83 U": "0.83 times the expanded uncertainty (ISO 14253-1)",
    "U": "the whole expanded uncertainty (ILAC-G8)",
}


@dataclass(frozen=True)
class Remark:
    """Why an outcome is as it is: a few words beside it, or the number of a footnote."""

    text: str = ""
    number: int = 0


def remarks(found: tuple[Row, ...]) -> tuple[dict[str, Remark], list[tuple[int, str]]]:
    """Short reasons stay in the table; long ones and repeated ones go to the back, each once."""
    numbers: dict[str, int] = {}
    beside = {}
    reasons = [row.why for row in found]
    for row in found:
        if row.outcome == "pass" or not row.why:
            beside[row.name] = Remark()
        elif len(row.why) <= BESIDE and reasons.count(row.why) == 1:
            beside[row.name] = Remark(row.why)
        else:
            beside[row.name] = Remark(number=numbers.setdefault(row.why, len(numbers) + 1))
    return beside, [(number, as_sentence(text)) for text, number in numbers.items()]


def notes(record: RunRecord, said: list[str]) -> tuple[str, ...]:
    """Each note once, and none that a footnote holds already."""
    lowered = [each.lower() for each in said]
    away = "" if record.away is None else record.away.why_not
    told = [f"Pictures are left out: {away}.", *record.notes] if away else record.notes
    every = dict.fromkeys(in_print(note) for note in told)
    return tuple(note for note in every if not any(note.lower() in each for each in lowered))


def limits_from(found: tuple[Row, ...]) -> str:
    """Where the limits are from: one source, or each with the characteristics that it is for."""
    of_source: dict[str, list[str]] = {}
    for row in found:
        if row.limit_from:
            of_source.setdefault(row.limit_from, []).append(row.title)
    if len(of_source) < 2:
        return "".join(of_source)
    return "; ".join(f"{source} ({', '.join(titles)})" for source, titles in of_source.items())


def as_sentence(text: str) -> str:
    """A remark as a sentence of its own."""
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith('.') else '.'}"


def cut(text: str, most: int) -> str:
    """At most so many characters; what was cut off shows."""
    return text if len(text) <= most else f"{text[: most - 1]}…"


def reading_guide(record: RunRecord) -> list[str]:
    """How to read the page, for whoever sees one for the first time."""
    units = (
        "sccm: cubic centimetres of air a minute, counted at 0 °C and 101.325 kPa. ANR: standard reference air, "
        "counted at 20 °C, 100 kPa and 65 % humidity (ISO 8778)."
    )
    if record.model.rated_vacuum_kpa:
        units += f" Rated vacuum: {record.model.rated_vacuum_kpa:g} kPa below ambient."
    units += " The square code tells whether this page is of the store's record and up to date: records verify --code."
    judgement = record.judgement
    if judgement is None:
        stopped = (
            "The test stopped before its end. What was measured until then is shown as it is and is not judged. A "
            "fault of the bench is never held against the valve."
        )
        return [stopped, f"± is the expanded uncertainty (k = 2, about 95 %). {units}"]
    band = _GUARD_BANDS.get(record.model.guard_band, "")
    near = (
        f"No measurement is exact, so a guard band lies on both sides of each limit: here {band}. Pass and fail are "
        "clear of it; conditional means that the value lies within it, on that side of the limit."
        if band
        else "The limits are used as they stand, without a guard band: a value on or inside its limit passes, any "
        "other fails."
    )
    cause = (
        " The likely cause is the best fit among the faults that the program knows; the verdict does not rest on it."
        if judgement.cause is not None
        else ""
    )
    return [
        "Each value is put against what its valve model allows; the bar of the strip is what is allowed. ± is the "
        "expanded uncertainty: two standard uncertainties (k = 2), so that about 95 of 100 such intervals hold the "
        "true value.",
        f"{near} One fail is enough to reject the valve; it is accepted when all characteristics with a limit pass; "
        f"anything between is undecided.{cause} A fault of the bench is never held against the valve.",
        units,
    ]


def causes(record: RunRecord) -> list[dict[str, Any]]:
    """The likeliest causes, at most three, ready to print."""
    if record.judgement is None:
        return []
    return [
        {
            "name": cause.name,
            "percent": f"{100 * cause.probability:.0f}",
            "sure": sure_text(cause.probability),
            "because": in_print(cause.because),
        }
        for cause in record.judgement.causes[:3]
        if cause.probability >= 0.02
    ]


def made_up(record: RunRecord) -> str:
    """What to say above a page that is about no real part; empty where it is."""
    if record.bench.simulated:
        return "Simulated bench: no valve was tested. Part, workshop and every number on this page are made up."
    if record.model.fictional:
        return "Fictional valve model: its limits are made up. Do not act on this page."
    return ""


PRACTICE_ONLY = "Model not known: judged by general practice only."


def constants(of_bench: Mapping[str, tuple[float, float, str]]) -> list[tuple[str, str]]:
    """Name and value with expanded uncertainty of each constant of the bench."""
    return [(name, _constant_text(*constant)) for name, constant in of_bench.items()]


def _constant_text(value: float, u: float, unit: str) -> str:
    if abs(value) < 1e-3 and unit[:1] in ("V", "A"):
        value, u, unit = 1e6 * value, 1e6 * u, f"µ{unit}"
    said, spread = with_spread(value, COVERAGE * u)
    return f"{said} ± {spread} {unit_text(unit)}".rstrip() if spread else f"{said} {unit_text(unit)}".rstrip()


def readings(record: RunRecord) -> list[tuple[str, str]]:
    """Label and value of every plain reading, in the order of the steps."""
    return [
        (in_print(label), f"{value:.4g} {unit_text(unit)}".rstrip())
        for step in record.steps
        for label, (value, unit) in step.readings.items()
    ]
