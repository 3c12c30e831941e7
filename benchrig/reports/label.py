"""The small label for the part: 62 by 29 mm, tag, verdict and a code that leads back to the record."""

from __future__ import annotations

from benchrig.records.label_code import label_code
from benchrig.records.run_record import RunRecord
from benchrig.reports.formatting import verdict_words
from benchrig.reports.plain_words import DISPOSITIONS
from benchrig.reports.seal_words import broken_lines, label_seal
from benchrig.reports.template_loading import environment
from benchrig.verdict.judgement import sure_text

QUIET = 4
"""So many squares on all sides of the code stay white (ISO/IEC 18004)."""
DOT_MM, DOTS = 25.4 / 203, 4
"""A dot of the usual label printer (203 to the inch), and so many of them to a square: 0.5 mm, no square is split."""

__all__ = ["label_html"]


def label_html(record: RunRecord) -> str:
    """Make the label: a self-contained HTML document whose page is the label itself."""
    import segno
    from markupsafe import Markup

    says = label_code(record)
    code = segno.make(says, error="m", micro=False)
    squares = code.symbol_size(border=QUIET)[0]
    local = record.started.astimezone()
    return (
        environment()
        .get_template("label.html")
        .render(
            record=record,
            verdict=verdict_words(record),
            to_do=_to_do(record),
            cause=_cause(record),
            broken=broken_lines(record),
            sealed=label_seal(record),
            day=f"{local:%Y-%m-%d}",
            code_says=says,
            code_mm=f"{squares * DOTS * DOT_MM:.3f}",
            code=Markup(code.svg_inline(border=QUIET, omitsize=True, lineclass=None)),
        )
    )


def _to_do(record: RunRecord) -> str:
    if record.judgement is None:
        return "Test it again"
    return DISPOSITIONS.get(record.judgement.disposition, record.judgement.disposition)


def _cause(record: RunRecord) -> str:
    judgement = record.judgement
    if judgement is None or judgement.cause is None or judgement.cause_probability is None:
        return ""
    return f"{judgement.cause}, {sure_text(judgement.cause_probability)}"
