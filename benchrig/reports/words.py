"""How numbers, limits and verdicts are written for people; shared by page, label and terminal."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from benchrig.analysis.characteristics import CHARACTERISTICS, number_text, title_of
from benchrig.analysis.results import Characteristic
from benchrig.records.model import RunRecord
from benchrig.verdict.words import Judged, Limit

__all__ = ["Row", "VerdictWords", "limit_text", "rows", "unit_text", "value_text", "verdict_words", "visible"]

COVERAGE = 2.0
"""Expanded uncertainty is this many standard uncertainties: about 95 % for a normal distribution (JCGM 100, 6.3)."""

Shape = Literal["tick", "cross", "question", "broken"]

_UNITS = {"ohm": "Ω", "dm3/(s bar)": "dm³/(s·bar)", "degC": "°C"}
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
        says = record.error or "The run has not ended."
        word = "Aborted: no verdict" if record.ending == "aborted" else "Still running: no verdict yet"
        return VerdictWords("aborted", word, says, "broken")
    if judgement.verdict == "accept":
        return VerdictWords("accept", "Accept", judgement.why, "tick")
    if judgement.verdict == "reject":
        return VerdictWords("reject", "Reject", judgement.why, "cross")
    return VerdictWords("undecided", "Undecided", judgement.why, "question")


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


def value_text(each: Characteristic) -> str:
    """A measured value with its expanded uncertainty (k = 2), without the unit.

    A value that is only a bound says so. Value and uncertainty have the same decimals.

    Examples
    --------
    >>> value_text(Characteristic("coil_resistance_20c_ohm", 24.613, 0.055, "ohm", "four wires"))
    '24.61 ± 0.11'
    >>> value_text(Characteristic("hold_leak_sccm", 3812.4, 138.6, "sccm", "rise of pressure"))
    '3812 ± 277'
    >>> value_text(Characteristic("steady_current_a", -0.0001, 0.0001, "A", "mean of 3 pulses"))
    '0.000 ± 0.001'
    >>> value_text(Characteristic("pull_in_time_ms", 120.0, None, "ms", "no motion", bound="above"))
    'above 120.00'
    """
    if each.value is None:
        return "not measured"
    value = number_text(each.name, each.value)
    if value.startswith("-") and float(value) == 0:
        value = value[1:]
    if each.bound:
        return f"{each.bound} {value}"
    if each.u is None:
        return value
    return f"{value} ± {_spread_text(value, COVERAGE * each.u)}"


def _spread_text(value: str, spread: float) -> str:
    """The uncertainty with the value's decimals; one that they would hide is rounded up to the last of them."""
    decimals = len(value.partition(".")[2])
    return f"{max(spread, 10.0**-decimals) if spread > 0 else spread:.{decimals}f}"


def limit_text(limit: Limit | None) -> str:
    """What is allowed, without the unit.

    Examples
    --------
    >>> limit_text(Limit("hold_leak_sccm", None, 5.0, "maker's data"))
    'max 5'
    >>> limit_text(Limit("coil_resistance_20c_ohm", 22.0, 27.0, "maker's data"))
    '22 to 27'
    """
    if limit is None or (limit.low is None and limit.high is None):
        return "none"
    if limit.low is None:
        return f"max {limit.high:g}"
    if limit.high is None:
        return f"min {limit.low:g}"
    return f"{limit.low:g} to {limit.high:g}"


@dataclass(frozen=True)
class Row:
    """One line of the table of characteristics, ready to print."""

    name: str
    title: str
    value: str
    unit: str
    limit: str
    limit_from: str
    outcome: str
    sign: str
    why: str
    how: str
    characteristic: Characteristic
    allowed: Limit | None


def rows(record: RunRecord) -> tuple[Row, ...]:
    """Every characteristic of the run: as judged, or, without a verdict, as measured by the steps that finished."""
    if record.judgement is not None:
        return tuple(_row(one.characteristic, one.limit, one.outcome, _short(one)) for one in record.judgement.judged)
    limits = {limit.name: limit for limit in record.model.limits}
    return tuple(_row(each, limits.get(each.name), "not judged", each.why_not) for each in record.characteristics)


def _row(each: Characteristic, limit: Limit | None, outcome: str, why: str) -> Row:
    about = CHARACTERISTICS.get(each.name)
    return Row(
        name=each.name,
        title=title_of(each.name),
        value=value_text(each),
        unit=unit_text(each.unit or (about.unit if about is not None else "")),
        limit=limit_text(limit),
        limit_from="" if limit is None else visible(limit.limit_from),
        outcome=outcome,
        sign=_SHAPES.get(outcome, "·"),
        why=visible(why),
        how=visible(each.how),
        characteristic=each,
        allowed=limit,
    )


def _short(one: Judged) -> str:
    """The reason, without the value and the limit that stand in the row already; with the odds where they are close."""
    why = one.why or one.characteristic.why_not
    if one.outcome == "no limit":
        return one.characteristic.why_not
    if one.characteristic.value is not None:
        head, said, rest = why.partition(" allowed; ")
        why = rest if said else "" if head.endswith(" allowed") else why
    if one.outcome.startswith("conditional") and one.p_conform is not None:
        odds = f"{100 * one.p_conform:.0f} % likely within the limit"
        why = f"{why} ({odds})" if why else odds
    return why
