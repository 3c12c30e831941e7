"""A gauge study in words, rows and one JSON document; shared by page and terminal."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from benchrig.analysis.characteristics import number_text, title_of
from benchrig.analysis.gauge_ranges import RangeStudy
from benchrig.analysis.gauge_study import Fitness, GaugeStudy
from benchrig.analysis.gauge_table import StudyTable
from benchrig.records.model import utc_text

__all__ = ["FITNESS_SAYS", "Studied", "StudyReport", "component_rows", "ndc_text", "study_document"]

FITNESS_SAYS: dict[Fitness, str] = {
    "good": "Under 10 % and at least 5 categories: the bench tells these parts apart well.",
    "marginal": "Between 10 and 30 %, or fewer than 5 categories: may do, depending on what hangs on it.",
    "not fit": "Over 30 %: on parts like these the bench's own variation is too large a share of what is seen.",
}
_NAMES = {
    "GRR": "Repeatability and reproducibility",
    "EV": "Repeatability",
    "AV": "Reproducibility",
    "operator": "of it, operator",
    "interaction": "of it, part x operator",
    "PV": "Part variation",
    "TV": "Total variation",
}


@dataclass(frozen=True)
class Studied:
    """One characteristic of a study. `why_not` says why it could not be analysed; then the rest is None."""

    name: str
    unit: str
    table: StudyTable | None
    study: GaugeStudy | None
    ranges: RangeStudy | None
    tolerance: float | None = None
    tolerance_from: str = ""
    stated_u: float | None = None
    why_not: str = ""

    @property
    def title(self) -> str:
        """In plain words."""
        return title_of(self.name)

    def number(self, value: float) -> str:
        """A value with the characteristic's decimals."""
        return number_text(self.name, value)


@dataclass(frozen=True)
class StudyReport:
    """A whole study. `source` says where the values come from; `made_up` warns when no real part was measured."""

    name: str
    model: str
    bench: str
    source: str
    made_up: str
    begun: datetime | None
    parts: int
    operators: tuple[str, ...]
    trials: int
    alpha: float
    studied: tuple[Studied, ...]


@dataclass(frozen=True)
class ComponentRow:
    """One line of the table of components, ready to print."""

    name: str
    short: str
    sd: str
    limits: str
    contribution: str
    study: str
    part: bool
    percent: float


def component_rows(each: Studied) -> tuple[ComponentRow, ...]:
    """The components of one characteristic; those that the study cannot tell are left out."""
    study = each.study
    if study is None or each.table is None:
        return ()
    alone = len(each.table.operators) == 1
    hidden = {"AV", "operator", "interaction"} if alone else {"interaction"} if study.pooled else set()
    rows = []
    for name, component in study.components.items():
        if name in hidden or (name == "operator" and study.pooled):
            continue
        rows.append(
            ComponentRow(
                _NAMES[name],
                "" if name in ("operator", "interaction") else name,
                f"{component.sd:#.3g}",
                f"{component.sd_low:#.2g} to {component.sd_high:#.2g}",
                f"{component.contribution_percent:.2f}",
                f"{component.study_percent:.2f}",
                name in ("operator", "interaction"),
                component.study_percent,
            )
        )
    return tuple(rows)


def ndc_text(study: GaugeStudy) -> str:
    """Number of distinct categories for people; without end for a gauge that showed no variation."""
    return "no limit" if study.ndc is None else str(study.ndc)


def study_document(report: StudyReport, *, page: str | None) -> dict[str, Any]:
    """Say what a study found, for a program to read; no NaN in it."""
    return {
        "study": report.name,
        "model": report.model or None,
        "bench": report.bench or None,
        "source": report.source,
        "made_up": report.made_up or None,
        "begun": None if report.begun is None else utc_text(report.begun),
        "parts": report.parts,
        "operators": list(report.operators),
        "trials": report.trials,
        "alpha": report.alpha,
        "characteristics": [_document(each) for each in report.studied],
        "page": page,
    }


def _document(each: Studied) -> dict[str, Any]:
    content: dict[str, Any] = {"name": each.name, "unit": each.unit, "why": each.why_not or None}
    study, ranges = each.study, each.ranges
    if study is None or ranges is None:
        return {**content, "fitness": None}
    return {
        **content,
        "fitness": study.fitness,
        "grr_percent": study.components["GRR"].study_percent,
        "grr_percent_low": study.grr_low_percent,
        "grr_percent_high": study.grr_high_percent,
        "confidence": study.confidence,
        "ndc": study.ndc,
        "tolerance": each.tolerance,
        "tolerance_from": each.tolerance_from or None,
        "tolerance_percent": study.tolerance_percent,
        "interaction_pooled": study.pooled,
        "components": {name: vars(component) for name, component in study.components.items()},
        "anova": [vars(line) for line in study.anova],
        "average_and_range": {
            "ev": ranges.ev,
            "av": ranges.av,
            "grr": ranges.grr,
            "pv": ranges.pv,
            "tv": ranges.tv,
            "grr_percent": ranges.grr_percent,
            "ndc": ranges.ndc,
            "range_limit": ranges.range_limit,
            "beyond": [
                {"part": part, "operator": operator, "range": spread} for part, operator, spread in ranges.beyond
            ],
        },
        "stated_u": each.stated_u,
        "notes": list(study.notes),
    }
