"""How numbers, limits and verdicts are written for people; shared by page, label and terminal."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from benchrig.analysis.characteristics import CHARACTERISTICS, number_text, title_of
from benchrig.analysis.results import Characteristic
from benchrig.records.run_record import RunRecord
from benchrig.verdict.conformity import remark
from benchrig.verdict.judgement import Judged, Limit

__all__ = [
    "Row",
    "VerdictWords",
    "in_print",
    "last_place",
    "limit_without_unit",
    "local_text",
    "rows",
    "unit_text",
    "value_text",
    "verdict_words",
    "visible",
    "with_spread",
]

COVERAGE = 2.0
"""Expanded uncertainty is this many standard uncertainties: about 95 % for a normal distribution (JCGM 100, 6.3)."""

Shape = Literal["tick", "cross", "question", "broken"]

_UNITS = {"ohm": "Ω", "dm3/(s bar)": "dm³/(s·bar)", "degC": "°C"}
_IN_UTC = re.compile(r"(\d{4}-\d\d-\d\d \d\d:\d\d) UTC")
_SHAPES = {
    "pass": "✓",
    "conditional pass": "✓?",
    "conditional fail": "✗?",
    "fail": "✗",
    "not measured": "○",
    "no limit": "·",
}


@dataclass(frozen=True)
class VerdictWords:
    """The head of page, label and terminal. `key` also names the style; the shape says it without colour."""

    key: Literal["accept", "reject", "undecided", "aborted"]
    word: str
    says: str
    shape: Shape


def verdict_words(record: RunRecord) -> VerdictWords:
    """Say the outcome of a run in a word and a sentence. A run that did not come to its end has no verdict."""
    judgement = record.judgement
    if judgement is None:
        says = in_print(record.error) or "The run has not ended."
        word = "Aborted: no verdict" if record.ending == "aborted" else "Still running: no verdict yet"
        return VerdictWords("aborted", word, says, "broken")
    if judgement.verdict == "accept":
        return VerdictWords("accept", "Accept", in_print(judgement.why), "tick")
    if judgement.verdict == "reject":
        return VerdictWords("reject", "Reject", in_print(judgement.why), "cross")
    return VerdictWords("undecided", "Undecided", in_print(judgement.why), "question")


def no_fault_by_practice(record: RunRecord) -> bool:
    """Whether a valve of a model that is not known showed nothing that speaks against it."""
    judgement = record.judgement
    return (
        record.model.general_practice
        and judgement is not None
        and judgement.verdict == "undecided"
        and judgement.cause is None
        and all(each.outcome in ("pass", "no limit") for each in judgement.judged)
    )


def visible(text: str) -> str:
    r"""Typed text with what cannot be seen made visible: control characters and direction marks become a sign.

    Line ends and tabs become spaces. Escaping is not done here: the page's templates escape everything.

    Examples
    --------
    >>> visible("A\x00B\nC\u202eD")
    'A�B C�D'
    """
    spaced = " ".join(text.split()) if any(c in text for c in "\n\r\t\v\f") else text
    return "".join(c if c.isprintable() or c in "\u200c\u200d" else "\N{REPLACEMENT CHARACTER}" for c in spaced)


def unit_text(unit: str) -> str:
    """The unit as it is printed.

    Examples
    --------
    >>> unit_text("ohm"), unit_text("sccm")
    ('Ω', 'sccm')
    """
    return _UNITS.get(unit, unit)


def last_place(spread: float) -> int:
    """Decimals at which a spread above zero has two figures (JCGM 100, 7.2.6); below zero left of the point.

    Examples
    --------
    >>> last_place(0.1103), last_place(277.2), last_place(0.0996)
    (2, -1, 2)
    """
    place = 1 - math.floor(math.log10(spread))
    return 1 - math.floor(math.log10(round(spread, place)))  # 0.0996 becomes 0.10, not 0.100


def with_spread(value: float, spread: float) -> tuple[str, str]:
    """A value and its expanded uncertainty, as people read them: two figures of this one, the value to the same place.

    A spread that is not above zero gives four figures and no second text.

    Examples
    --------
    >>> with_spread(24.6131, 0.1103), with_spread(3812.4, 277.2), with_spread(0.54461, 0.0036)
    (('24.61', '0.11'), ('3810', '280'), ('0.5446', '0.0036'))
    >>> with_spread(9.986, 0.0996), with_spread(-0.00004, 0.0012), with_spread(1.5, 0.0)
    (('9.99', '0.10'), ('0.0000', '0.0012'), ('1.5', ''))
    """
    if not (math.isfinite(spread) and spread > 0):
        return f"{value:z.4g}", ""
    place = last_place(spread)
    return f"{round(value, place):z.{max(place, 0)}f}", f"{round(spread, place):.{max(place, 0)}f}"


def value_text(each: Characteristic | None) -> str:
    """A measured value with its expanded uncertainty (k = 2), without the unit.

    The uncertainty has two figures, the value the same decimals. A value that is only a bound says so.

    Examples
    --------
    >>> value_text(Characteristic("coil_resistance_20c_ohm", 24.613, 0.055, "ohm", "four wires"))
    '24.61 ± 0.11'
    >>> value_text(Characteristic("hold_leak_sccm", 3812.4, 138.6, "sccm", "rise of pressure"))
    '3810 ± 280'
    >>> value_text(Characteristic("pull_in_time_ms", 120.0, None, "ms", "no motion", bound="above"))
    'above 120.00'
    """
    if each is None or each.value is None:
        return "not measured"
    spread = COVERAGE * (each.u or 0.0)
    if each.bound or not spread > 0:
        return f"{each.bound} {_unsigned_zero(number_text(each.name, each.value))}".lstrip()
    return " ± ".join(with_spread(each.value, spread))


def _unsigned_zero(text: str) -> str:
    return text[1:] if text.startswith("-") and float(text) == 0 else text


def in_print(text: str) -> str:
    """The program's own sentences with units as they are printed, and instants in local time.

    Examples
    --------
    >>> in_print("above 99.22 ohm, corrected to 20 degC")
    'above 99.22 Ω, corrected to 20 °C'
    """
    for plain, printed in _UNITS.items():
        text = re.sub(rf"(?<![\w/]){re.escape(plain)}(?![\w/])", printed, text)
    return visible(_IN_UTC.sub(_local, text))


def _local(found: re.Match[str]) -> str:
    return local_text(datetime.fromisoformat(f"{found[1]}+00:00"))


def local_text(when: datetime) -> str:
    """An instant in the computer's own time zone, which is named.

    Examples
    --------
    >>> local_text(datetime(2026, 11, 25, 9, 30).astimezone()).startswith("2026-11-2")
    True
    """
    local = when.astimezone()
    return f"{local:%Y-%m-%d %H:%M} {local.tzname() or ''}".rstrip()


def limit_without_unit(limit: Limit | None, *, most: str = "max ", least: str = "min ", between: str = " to ") -> str:
    """What is allowed, without the unit.

    Examples
    --------
    >>> limit_without_unit(Limit("hold_leak_sccm", None, 5.0, "maker's data"))
    'max 5'
    >>> limit_without_unit(Limit("coil_resistance_20c_ohm", 22.0, 27.0, "maker's data"))
    '22 to 27'
    """
    if limit is None or (limit.low is None and limit.high is None):
        return "none"
    if limit.low is None:
        return f"{most}{limit.high:g}"
    if limit.high is None:
        return f"{least}{limit.low:g}"
    return f"{limit.low:g}{between}{limit.high:g}"


@dataclass(frozen=True)
class Row:
    """What was judged of one characteristic, ready to print; what was measured of it stands in the record."""

    name: str
    title: str
    unit: str
    limit: str
    limit_from: str
    outcome: str
    sign: str
    why: str
    how: str
    allowed: Limit | None


def rows(record: RunRecord) -> tuple[Row, ...]:
    """A row for each characteristic that was judged, measured or not; without a verdict, for each that was measured."""
    listed: list[tuple[Characteristic, Limit | None, str, str]]
    if record.judgement is None:
        limits = {limit.name: limit for limit in record.model.limits}
        listed = [(each, limits.get(each.name), "not judged", each.why_not) for each in record.characteristics]
    else:
        listed = [
            (one.characteristic, one.limit, one.outcome, _short(one, record.model.guard_band))
            for one in record.judgement.judged
        ]
    return tuple(
        Row(
            name=each.name,
            title=title_of(each.name),
            unit=unit_text(each.unit or (CHARACTERISTICS[each.name].unit if each.name in CHARACTERISTICS else "")),
            limit=limit_without_unit(limit),
            limit_from="" if limit is None else visible(limit.limit_from),
            outcome=outcome,
            sign=_SHAPES.get(outcome, "·"),
            why=in_print(why),
            how=in_print(each.how),
            allowed=limit,
        )
        for each, limit, outcome, why in listed
    )


def _short(one: Judged, guard_band: str) -> str:
    """The reason, without the value and the limit that stand in the row already; with the odds where they are close."""
    if one.outcome == "no limit":
        return one.characteristic.why_not
    if one.outcome == "not measured":
        return one.why or one.characteristic.why_not
    why = remark(one.characteristic, one.outcome, guard_band)
    if one.outcome.startswith("conditional") and one.p_conform is not None:
        odds = f"{100 * one.p_conform:.0f} % likely within the limit"
        why = f"{why} ({odds})" if why else odds
    return why
