"""A gauge study as one self-contained HTML page."""

from __future__ import annotations

from benchrig.reports.formatting import local_text, unit_text
from benchrig.reports.gauge_plot import gauge_svg, mark_svg
from benchrig.reports.gauge_words import (
    Studied,
    StudyReport,
    answer,
    component_rows,
    ndc_text,
    percent_text,
    study_sentence,
)
from benchrig.reports.template_loading import environment

__all__ = ["study_page_html"]

_SIGNS = {"good": "✓", "marginal": "✓?", "not fit": "✗"}


def study_page_html(report: StudyReport) -> str:
    """Make the page of a study: a pure function of the report. No network, no script, no other file."""
    from markupsafe import Markup

    # What is judged by its tolerance comes first, the worst on top; then what has none; then what was not analysed.
    order = sorted(report.studied, key=_rank)
    blocks = [
        {
            "each": each,
            "study": each.study,
            "ranges": each.ranges,
            "unit": unit_text(each.unit),
            "rows": component_rows(each),
            "ndc": "" if each.study is None else ndc_text(each.study),
            "answer": "not analysed" if each.study is None else answer(each.study),
            "says": study_sentence(each),
            "sign": "○" if each.study is None else _SIGNS[each.study.fitness],
            "svg": Markup(gauge_svg(each)),
        }
        for each in order
    ]
    marks = [(Markup(mark_svg(number)), name) for number, name in enumerate(report.operators)]
    when = "" if report.begun is None else local_text(report.begun)
    return (
        environment()
        .get_template("study.html")
        .render(report=report, blocks=blocks, marks=marks, when=when, percent=percent_text)
    )


def _rank(each: Studied) -> tuple[int, float]:
    if each.study is None:
        return 2, 0.0
    if each.study.tolerance_percent is not None:
        return 0, -each.study.tolerance_percent
    return 1, -each.study.components["GRR"].study_percent
