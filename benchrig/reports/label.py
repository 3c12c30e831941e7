"""The small label for the part: 62 by 29 mm, tag, verdict and a code that leads back to the record."""

from __future__ import annotations

from pathlib import Path

from benchrig.records.label_code import label_code
from benchrig.records.model import RunRecord
from benchrig.reports.page import environment, write_text
from benchrig.reports.words import verdict_words

__all__ = ["label_html", "label_path", "write_label"]


def label_html(record: RunRecord) -> str:
    """Make the label: a self-contained HTML document whose page is the label itself."""
    import segno
    from markupsafe import Markup

    code = segno.make(label_code(record), error="m", micro=False)
    local = record.started.astimezone()
    return (
        environment()
        .get_template("label.html")
        .render(
            record=record,
            verdict=verdict_words(record),
            day=f"{local:%Y-%m-%d}",
            code=Markup(code.svg_inline(border=0, omitsize=True, svgclass="code", lineclass=None)),
        )
    )


def label_path(record: RunRecord, folder: Path) -> Path:
    """Where a run's label goes: named after the run's number alone."""
    return folder / f"run-{record.run}-label.html"


def write_label(record: RunRecord, folder: Path) -> Path:
    """Write the label of a run into a folder, which is made when it does not exist; return its path.

    Raises
    ------
    OSError
        The folder or the file cannot be written.
    """
    return write_text(label_path(record, folder), label_html(record))
