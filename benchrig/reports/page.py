"""One run as one self-contained HTML page: to hand over, to print on A4, to keep."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchrig.records.model import RunRecord, utc_text
from benchrig.reports.plots import plots
from benchrig.reports.strip import strip_svg
from benchrig.reports.words import Row, rows, unit_text, verdict_words, visible
from benchrig.verdict.words import sure_text

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["environment", "page_html", "page_path", "write_page", "write_text"]

_DISPOSITIONS = {
    "sell": "Sell it",
    "clean and retest": "Clean it and test it again",
    "air out and retest": "Air it out and test it again",
    "scrap": "Scrap it",
    "refund": "Refund it",
    "return to customer": "Return it to the customer",
    "keep": "Put it back on its shelf",
    "ask": "Ask before deciding",
}
_REASONS = {
    "core": "core, handed in for rebuilding",
    "return": "returned by a customer",
    "new-stock": "new stock",
    "check-valve": "check valve, a known-good part kept to look at the bench",
}
_GUARD_BANDS = {
    "0.83 U": "0.83 times the expanded uncertainty (ISO 14253-1)",
    "U": "the whole expanded uncertainty (ILAC-G8)",
}
_PICTURES = (
    ("hold", "Hold vacuum", "The closed valve was put under vacuum and shut off. The line should stay up."),
    ("flow", "Open flow", "The valve was opened onto the vacuum. The steeper the fall, the freer the flow."),
    (
        "clicks",
        "Clicks",
        "Coil current of every click, laid over each other. The dip is the armature arriving; the bump, its return.",
    ),
)


@cache
def environment() -> Environment:
    """Templates in which every value is escaped, a missing value is an error, and unseen characters show."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    def shown(value: Any) -> Any:
        # Markup, our own SVG, is a str too: it passes as it is.
        return visible(value) if type(value) is str else value

    return Environment(
        loader=PackageLoader("benchrig.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=shown,
    )


def page_html(record: RunRecord) -> str:
    """Make the page of a run.

    A pure function of the record: the same record gives the same bytes on the same computer (the time of day is printed
    in the computer's time zone, with UTC beside it). The page needs no network, no script and no other file.

    Parameters
    ----------
    record : RunRecord
        A run from the store, finished or not.

    Returns
    -------
    str
        A whole HTML document.
    """
    from markupsafe import Markup

    drawn = plots(record)
    found = rows(record)
    strips = {row.name: Markup(strip_svg(row.characteristic, row.allowed, good=_good(row))) for row in found}
    pictures = [
        {"name": name, "title": title, "says": says, "svg": Markup(drawn[name])}
        for name, title, says in _PICTURES
        if name in drawn
    ]
    return environment().get_template("page.html").render(_view(record, found), strips=strips, pictures=pictures)


def page_path(record: RunRecord, folder: Path) -> Path:
    """Where a run's page goes: named after the run's number alone, never after what somebody typed."""
    return folder / f"run-{record.run}.html"


def write_page(record: RunRecord, folder: Path) -> Path:
    """Write the page of a run into a folder, which is made when it does not exist; return its path.

    Raises
    ------
    OSError
        The folder or the file cannot be written.
    """
    return write_text(page_path(record, folder), page_html(record))


def write_text(path: Path, text: str) -> Path:
    """Write a whole file or nothing: a reader never sees half a page."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f"{path.name}.part")
    try:
        beside.write_text(text, encoding="utf-8", newline="\n")
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
    return path


def _good(row: Row) -> bool:
    return row.outcome not in ("fail", "conditional fail")


def _view(record: RunRecord, found: tuple[Row, ...]) -> dict[str, Any]:
    judgement = record.judgement
    local = record.started.astimezone()
    return {
        "record": record,
        "verdict": verdict_words(record),
        "rows": found,
        "sources": sorted({row.limit_from for row in found if row.limit_from}),
        "reason": _REASONS.get(record.intake.reason, record.intake.reason),
        "to_do": None if judgement is None else _DISPOSITIONS.get(judgement.disposition, judgement.disposition),
        "judgement": judgement,
        "causes": [] if judgement is None or judgement.cause is None else _causes(record),
        "guard_band": _GUARD_BANDS.get(record.model.guard_band, ""),
        "made_up": _made_up(record),
        "day": f"{local.day} {local:%B %Y}",
        "time": f"{local:%H:%M}",
        "zone": local.tzname() or "",
        "utc": utc_text(record.started),
        "seconds": None if record.bench_seconds is None else f"{record.bench_seconds:.0f} s",
        "constants": _constants(record.bench.constants),
        "readings": _readings(record),
        "notes": tuple(dict.fromkeys(record.notes)),
        "skipped": [(step.title, step.skipped) for step in record.steps if step.skipped],
    }


def _causes(record: RunRecord) -> list[dict[str, Any]]:
    if record.judgement is None:
        return []
    return [
        {
            "name": cause.name,
            "percent": f"{100 * cause.probability:.0f}",
            "sure": sure_text(cause.probability),
            "because": cause.because,
        }
        for cause in record.judgement.causes[:3]
        if cause.probability >= 0.02
    ]


def _made_up(record: RunRecord) -> str:
    if record.bench.simulated:
        return "Simulated bench: no valve was tested. Part, workshop and every number on this page are made up."
    if record.model.fictional:
        return "Fictional valve model: its limits are made up. Do not act on this page."
    return ""


def _constants(constants: Mapping[str, tuple[float, float, str]]) -> list[tuple[str, str]]:
    return [
        (name, f"{value:.6g} ± {2 * u:.2g} {unit_text(unit)}".rstrip()) for name, (value, u, unit) in constants.items()
    ]


def _readings(record: RunRecord) -> list[tuple[str, str]]:
    return [
        (label, f"{value:.4g} {unit_text(unit)}".rstrip())
        for step in record.steps
        for label, (value, unit) in step.readings.items()
    ]
