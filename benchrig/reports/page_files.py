"""Pages and labels as files: their names, and writing them whole or not at all. The pages themselves are pure text."""

from __future__ import annotations

import itertools
import re
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchrig.bench.check_result import CheckResult
    from benchrig.bench.traceability import BenchKey, CheckDone
    from benchrig.records.run_record import RunRecord
    from benchrig.records.summary import Summary
    from benchrig.reports.chart_words import ChartReport
    from benchrig.reports.gauge_words import StudyReport

__all__ = [
    "label_path",
    "page_path",
    "write_bytes",
    "write_chart_page",
    "write_check_page",
    "write_label",
    "write_page",
    "write_pdf",
    "write_study_page",
    "write_summary_page",
    "write_text",
]


def page_path(record: RunRecord, folder: Path) -> Path:
    """Where a run's page goes: named after its number, its bench and the store that it was recorded in."""
    return folder / f"run-{_run_in_file_names(record)}.html"


def _run_in_file_names(record: RunRecord) -> str:
    """Runs of one number, of two benches or two stores, have two files. The bench's name is made fit for a file."""
    bench = re.sub(r"[^A-Za-z0-9]+", "-", record.bench.name).strip("-")[:24].strip("-").lower()
    return (
        "-".join(each for each in (record.own_number, bench, record.store[:8]) if each and record.store) or record.run
    )


def write_page(record: RunRecord, folder: Path, html: str) -> Path:
    """Write the page of a run into a folder, which is made when it does not exist; return its path.

    Raises
    ------
    OSError
        The folder or the file cannot be written.
    """
    return write_text(_kept_clear(page_path(record, folder), record), html)


def _kept_clear(path: Path, record: RunRecord) -> Path:
    """Set a file of that name aside when it tells of another run, of a store that was lost perhaps."""
    if path.exists():
        old = path.read_bytes()
        if not any(digest.encode() in old for digest in record.digests):
            aside = (path.with_name(f"{path.stem}.other-{n}{path.suffix}") for n in itertools.count(1))
            path.rename(next(each for each in aside if not each.exists()))
    return path


def write_text(path: Path, text: str) -> Path:
    """Write a whole file or nothing: a reader never sees half a page."""
    return write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path, content: bytes) -> Path:
    """Write a whole file or nothing. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f"{path.name}.part")
    try:
        beside.write_bytes(content)
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
    return path


def label_path(record: RunRecord, folder: Path) -> Path:
    """Where a run's label goes: named likewise."""
    return folder / f"run-{_run_in_file_names(record)}-label.html"


def write_label(record: RunRecord, folder: Path, html: str) -> Path:
    """Write the label of a run likewise. Raises OSError."""
    return write_text(_kept_clear(label_path(record, folder), record), html)


def write_pdf(record: RunRecord, folder: Path, page: bytes, label: bytes) -> tuple[Path, Path]:
    """Write page and label as PDF beside those in HTML, likewise. Raises OSError."""
    found = [each.with_suffix(".pdf") for each in (page_path(record, folder), label_path(record, folder))]
    for path, content in zip(found, (page, label), strict=True):
        write_bytes(_kept_clear(path, record), content)
    return found[0], found[1]


def write_check_page(check: CheckResult, done: CheckDone, bench: BenchKey, folder: Path) -> Path:
    """Write the page into a folder, which is made when it does not exist; return its path. Raises OSError."""
    from benchrig.reports.check_page import check_page_html

    return write_text(folder / f"{done.name}.html", check_page_html(check, done, bench))


def write_study_page(report: StudyReport, folder: Path) -> Path:
    """Write the page into a folder, which is made when it does not exist; return its path.

    Raises
    ------
    OSError
        The folder or the file cannot be written.
    """
    from benchrig.reports.gauge_page import study_page_html

    return write_text(folder / f"study-{report.name}.html", study_page_html(report))


def write_summary_page(summary: Summary, title: str, folder: Path) -> Path:
    """Write the page of some runs together; named after what they are, in place of an older one. Raises OSError."""
    from benchrig.reports.summary_page import summary_page_html

    name = re.sub(r"[^A-Za-z0-9-]+", "-", title.removeprefix("Summary, ")).strip("-").lower()[:60] or "runs"
    return write_text(folder / f"summary-{name}.html", summary_page_html(summary, title))


def write_chart_page(report: ChartReport, folder: Path) -> Path:
    """Write the page into a folder, which is made when it does not exist; return its path.

    Raises
    ------
    OSError
        The folder or the file cannot be written.
    """
    from benchrig.reports.chart_page import chart_page_html

    # A tag is what somebody typed: what could mean something in a path is left out of the name.
    name = re.sub(r"[^A-Za-z0-9-]+", "-", report.tag).strip("-")[:40] or "valve"
    return write_text(folder / f"chart-{name}.html", chart_page_html(report))
