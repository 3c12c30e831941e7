"""The small label for the part: 62 by 29 mm, tag, verdict and a code that leads back to the record."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup

from benchrig.records.label_code import label_code
from benchrig.records.run_record import RunRecord
from benchrig.reports.formatting import verdict_words
from benchrig.reports.plain_words import DISPOSITIONS
from benchrig.reports.seal_words import broken_lines, label_seal
from benchrig.reports.square_code import square_code
from benchrig.reports.template_loading import environment
from benchrig.verdict.judgement import sure_text

__all__ = ["label_html", "label_view"]


def label_html(record: RunRecord) -> str:
    """Make the label: a self-contained HTML document whose page is the label itself."""
    return environment().get_template("label.html").render(label_view(record))


def label_view(record: RunRecord) -> dict[str, Any]:
    """All that the label shows, by name: what templates are filled with."""
    says = label_code(record)
    code = square_code(says, dots=4)
    return {
        "record": record,
        "verdict": verdict_words(record),
        "to_do": _to_do(record),
        "cause": _cause(record),
        "broken": broken_lines(record),
        "sealed": label_seal(record),
        "day": f"{record.started.astimezone():%Y-%m-%d}",
        "code_says": says,
        "code_mm": f"{code.width_mm:.3f}",
        "code": Markup(code.svg),
    }


def _to_do(record: RunRecord) -> str:
    if record.decisions:
        decided = record.decisions[-1].disposition
        return DISPOSITIONS.get(decided, decided)
    if record.judgement is None:
        return "Test it again"
    return DISPOSITIONS.get(record.judgement.disposition, record.judgement.disposition)


def _cause(record: RunRecord) -> str:
    judgement = record.judgement
    if judgement is None or judgement.cause is None or judgement.cause_probability is None:
        return ""
    return f"{judgement.cause}, {sure_text(judgement.cause_probability)}"
