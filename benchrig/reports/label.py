"""The small label for the part: 62 by 29 mm, tag, verdict and a code that leads back to the record."""

from __future__ import annotations

import hashlib
from pathlib import Path
from urllib.parse import quote

from benchrig.records.model import RunRecord
from benchrig.reports.page import environment, write_text
from benchrig.reports.words import verdict_words

__all__ = ["code_text", "label_html", "label_path", "write_label"]

TAG_BYTES = 40
"""A longer tag would make the code's squares too small to read from paper."""


def code_text(record: RunRecord) -> str:
    """What the square code on the label says: ``BR1:run:tag:verdict:digest``.

    Fields are divided by colons; the tag is percent-encoded (RFC 3986), so it cannot hold one. Of a tag too long for
    the code there are only the first ten hexadecimal figures of its SHA-256, after a ``~``. The digest is the beginning
    of the record's. A run without a verdict says ``aborted``.
    """
    tag = quote(record.intake.tag, safe="")
    if len(tag) > TAG_BYTES:
        tag = f"~{hashlib.sha256(record.intake.tag.encode('utf-8', 'replace')).hexdigest()[:10]}"
    return f"BR1:{record.run}:{tag}:{record.verdict or record.ending}:{record.digest[:10]}"


def label_html(record: RunRecord) -> str:
    """Make the label: a self-contained HTML document whose page is the label itself."""
    import segno
    from markupsafe import Markup

    code = segno.make(code_text(record), error="m", micro=False)
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
