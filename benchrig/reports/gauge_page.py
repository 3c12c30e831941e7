"""A gauge study as one self-contained HTML page."""

from __future__ import annotations

from pathlib import Path

from benchrig.reports.gauge_plot import gauge_svg
from benchrig.reports.gauge_words import FITNESS_SAYS, StudyReport, component_rows, ndc_text
from benchrig.reports.page import environment, write_text
from benchrig.reports.words import unit_text

__all__ = ["study_page_html", "write_study_page"]

_SIGNS = {"good": "✓", "marginal": "✓?", "not fit": "✗"}


def study_page_html(report: StudyReport) -> str:
    """Make the page of a study: a pure function of the report. No network, no script, no other file."""
    from markupsafe import Markup

    blocks = [
        {
            "each": each,
            "study": each.study,
            "ranges": each.ranges,
            "unit": unit_text(each.unit),
            "rows": component_rows(each),
            "ndc": "" if each.study is None else ndc_text(each.study),
            "says": "" if each.study is None else FITNESS_SAYS[each.study.fitness],
            "sign": "○" if each.study is None else _SIGNS[each.study.fitness],
            "svg": Markup(gauge_svg(each)),
        }
        for each in report.studied
    ]
    when = "" if report.begun is None else f"{report.begun.astimezone():%Y-%m-%d %H:%M}"
    return environment().get_template("study.html").render(report=report, blocks=blocks, when=when)


def write_study_page(report: StudyReport, folder: Path) -> Path:
    """Write the page into a folder, which is made when it does not exist; return its path.

    Raises
    ------
    OSError
        The folder or the file cannot be written.
    """
    return write_text(folder / f"study-{report.name}.html", study_page_html(report))
