"""What a verdict is made of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from benchrig.analysis.results import Characteristic

__all__ = [
    "MODELS_UNKNOWN",
    "Cause",
    "Disposition",
    "Judged",
    "Judgement",
    "Limit",
    "Outcome",
    "Reason",
    "Verdict",
    "sure_text",
]

MODELS_UNKNOWN: Mapping[str, Literal["closed", "open"]] = {"unknown": "closed", "unknown-open": "open"}
"""Names under which a valve is tested whose own limits nobody has (`benchrig.catalogue.general_practice`), with its
state without current."""

Outcome = Literal["pass", "conditional pass", "conditional fail", "fail", "not measured", "no limit"]
Verdict = Literal["accept", "reject", "undecided"]
Reason = Literal["core", "return", "new-stock", "check-valve"]
"""A check valve is a known-good part that is kept on the shelf and measured daily: it looks at the bench."""
Disposition = Literal[
    "sell", "clean and retest", "air out and retest", "scrap", "refund", "return to customer", "keep", "ask"
]


@dataclass(frozen=True)
class Limit:
    """What the valve model allows for one characteristic; either side may be open."""

    name: str
    low: float | None
    high: float | None
    limit_from: str


@dataclass(frozen=True)
class Judged:
    """A characteristic put against its limit. `p_conform` is None where there is nothing to compute it from."""

    characteristic: Characteristic
    limit: Limit | None
    outcome: Outcome
    p_conform: float | None
    why: str


@dataclass(frozen=True)
class Cause:
    """One candidate fault with its probability among the candidates that the program knows."""

    name: str
    probability: float
    because: str


@dataclass(frozen=True)
class Judgement:
    """The verdict on the whole valve.

    `cause` and `cause_probability` are None when the valve is accepted, and when it is undecided with nothing that
    speaks against it. `causes` lists the candidates, most likely first; their probabilities are given that the valve
    is bad. Of a valve that is undecided because it is wet, the only cause is "wet", with the probability of vapour.
    """

    verdict: Verdict
    why: str
    cause: str | None
    cause_probability: float | None
    causes: tuple[Cause, ...]
    disposition: Disposition
    disposition_why: str
    judged: tuple[Judged, ...]


def sure_text(probability: float) -> str:
    """A probability for people, which never claims to be certain.

    >>> sure_text(0.9999), sure_text(0.734)
    ('over 99 %', '73 %')
    """
    return "over 99 %" if probability > 0.99 else f"{100 * probability:.0f} %"
