"""A gauge study in words, rows and one JSON document; shared by page and terminal."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from benchrig.analysis.characteristics import number_text, title_of
from benchrig.analysis.studies.gauge_ranges import RangeStudy
from benchrig.analysis.studies.gauge_study import STUDY_SIGMAS, Fitness, GaugeStudy, Question
from benchrig.analysis.studies.gauge_table import StudyTable
from benchrig.records.run_record import utc_text
from benchrig.reports.formatting import unit_text

__all__ = [
    "Studied",
    "StudyReport",
    "answer",
    "component_rows",
    "ndc_text",
    "percent_text",
    "study_document",
    "study_sentence",
]

_ANSWERS: dict[Question, dict[Fitness, str]] = {
    "tolerance": {
        "good": "fit for its limits",
        "marginal": "may do for its limits",
        "not fit": "not fit for its limits",
    },
    "parts": {
        "good": "tells these parts apart",
        "marginal": "tells them roughly apart",
        "not fit": "these parts all look alike to it",
    },
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


def answer(study: GaugeStudy) -> str:
    """What the bench is fit for, in a few words that say which question was asked."""
    return _ANSWERS[study.asked][study.fitness]


def study_sentence(each: Studied) -> str:
    """What came out for one characteristic, the question first that decides it."""
    study = each.study
    if study is None:
        return each.why_not
    grr, unit = study.components["GRR"], unit_text(each.unit)
    spread = f"{STUDY_SIGMAS * grr.sd:.2g} {unit}".rstrip()
    among = (
        f"Of what is seen among these parts it is {percent_text(grr.study_percent)} % (95 % limits "
        f"{percent_text(study.grr_low_percent)} to {percent_text(study.grr_high_percent)}), "
        f"{ndc_text(study)} {'category is' if study.ndc == 1 else 'categories are'} told apart"
    )
    if study.tolerance_percent is None or each.tolerance is None:
        return f"No tolerance is known, so the question is whether it tells these parts apart. {among}."
    alike = "; parts that are much alike make any bench look poor" if study.parts_fitness == "not fit" else ""
    return (
        f"Six standard deviations of the bench, {spread}, take {percent_text(study.tolerance_percent)} % of the "
        f"tolerance of {f'{each.tolerance:.4g} {unit}'.rstrip()}. {among}{alike}."
    )


def percent_text(percent: float) -> str:
    """A share with two figures, or whole from ten on.

    Examples
    --------
    >>> percent_text(1.234), percent_text(36.2), percent_text(0.0), percent_text(0.004)
    ('1.2', '36', '0.0', 'under 0.1')
    """
    if 0 < percent < 0.05:
        return "under 0.1"
    return f"{percent:.1f}" if percent < 9.95 else f"{percent:.0f}"


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
        "asked": study.asked,
        "answer": answer(study),
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
