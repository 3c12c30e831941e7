"""One run as one self-contained HTML page: to hand over, to print on two sheets of A4 or Letter, to keep."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from markupsafe import Markup

from benchrig.analysis.results import Characteristic
from benchrig.records.label_code import label_code
from benchrig.records.run_record import RunRecord
from benchrig.reports.formatting import Row, in_print, rows, value_text, verdict_words, visible
from benchrig.reports.limit_strip import limit_strip_svg
from benchrig.reports.page_layout import sheets
from benchrig.reports.page_text import (
    PRACTICE_ONLY,
    as_sentence,
    causes,
    constants,
    cut,
    limits_from,
    made_up,
    notes,
    reading_guide,
    readings,
    remarks,
)
from benchrig.reports.plain_words import DISPOSITIONS, cause_sentence, plain_sentence
from benchrig.reports.plots import PICTURES, plots
from benchrig.reports.retest import retest
from benchrig.reports.seal_words import broken_lines, seal_line
from benchrig.reports.square_code import square_code
from benchrig.reports.template_loading import environment

__all__ = ["page_html", "page_view"]

SHORT_TAG = 34
"""A longer tag is cut in the head of each sheet; below it stands whole."""
LONG_TYPED = 320
"""Longer words about the part take the whole width."""
LONGEST_TYPED = 420
"""Complaint and findings are cut there on the page; the record holds them whole."""
_REASONS = {
    "core": "core, handed in for rebuilding",
    "return": "returned by a customer",
    "new-stock": "new stock",
    "check-valve": "check valve, a known-good part kept to look at the bench",
}


def page_html(record: RunRecord, before: RunRecord | None = None) -> str:
    """Make the page of a run: two sheets of A4 or Letter when it is printed.

    A pure function of the records: the same ones give the same bytes on the same computer (times of day are printed in
    the computer's time zone, which is named). The page needs no network, no script and no other file.

    Parameters
    ----------
    record : RunRecord
        A run from the store, finished or not.
    before : RunRecord or None
        The run of the same part before this one: what has changed is shown.

    Returns
    -------
    str
        A whole HTML document.
    """
    return environment().get_template("page.html").render(page_view(record, before))


def page_view(record: RunRecord, before: RunRecord | None = None) -> dict[str, Any]:
    """All that the page shows, by name, pictures included: what templates are filled with."""
    found = rows(record)
    view = _view(record, found, before)
    lower_pt = view.pop("lower_pt")
    drawn = plots(record, lower_pt=lower_pt)
    measured = {each.name: each for each in record.characteristics if each.value is not None}
    strips = {row.name: Markup(_strip(row, measured.get(row.name))) for row in found}
    pictures = [
        {
            "shape": "wide" if each.wide else "half",
            "title": each.title,
            "says": each.says,
            "svg": Markup(drawn[each.step]),
        }
        for each in PICTURES
        if each.step in drawn
    ]
    return {**view, "measured": measured, "strips": strips, "pictures": pictures}


def _zone(local: datetime) -> str:
    """Name of the time zone, with what it is ahead of UTC unless the name says so."""
    name, offset = local.tzname() or "", f"{local:%z}"
    ahead = "" if (name, offset) == ("UTC", "+0000") else f"UTC{offset[:3]}:{offset[3:5]}"
    return f"{name} ({ahead})" if name and ahead else name or ahead


def _strip(row: Row, measured: Characteristic | None) -> str:
    """Where the value lies within what is allowed."""
    lies = f"{value_text(measured)} {row.unit}, allowed {row.limit} {row.unit}: {row.outcome}"
    good = row.outcome not in ("fail", "conditional fail")
    return limit_strip_svg(measured, row.allowed, good=good, described=lies)


def _view(record: RunRecord, found: tuple[Row, ...], before: RunRecord | None) -> dict[str, Any]:
    judgement = record.judgement
    local = record.started.astimezone()
    beside, footnotes = remarks(found)
    says = label_code(record)
    code = square_code(says, dots=3)
    view = {
        "record": record,
        "code": Markup(code.svg),
        "code_says": says,
        "code_mm": code.width_mm,
        "later": [
            (f"{each.at.astimezone():%Y-%m-%d}", in_print(each.says))
            for each in record.later
            if each.kind != "decision"
        ],
        "verdict": verdict_words(record),
        "sentence": plain_sentence(record),
        "cause_says": cause_sentence(record),
        "rows": found,
        "remarks": beside,
        "footnotes": footnotes,
        "limits_from": limits_from(found),
        "short_tag": cut(visible(record.intake.tag), SHORT_TAG),
        "complaint": cut(record.intake.complaint, LONGEST_TYPED),
        "findings": cut(record.intake.findings, LONGEST_TYPED),
        "long_typed": len(f"{record.intake.tag}{record.intake.complaint}{record.intake.findings}") > LONG_TYPED,
        "reason": _REASONS.get(record.intake.reason, record.intake.reason),
        "to_do": None if judgement is None else DISPOSITIONS.get(judgement.disposition, judgement.disposition),
        "to_do_why": "" if judgement is None else in_print(judgement.disposition_why),
        "judgement": judgement,
        "causes": [] if judgement is None or judgement.cause is None else causes(record),
        "earlier": None if before is None else retest(before, record),
        "explained": reading_guide(record),
        "made_up": made_up(record),
        "practice": PRACTICE_ONLY if record.model.general_practice else "",
        "broken": broken_lines(record),
        "sealed": seal_line(record),
        "day": f"{local.day} {local:%B %Y}",
        "time": f"{local:%H:%M}",
        "zone": _zone(local),
        "seconds": None if record.bench_seconds is None else f"{record.bench_seconds:.0f} s",
        "grounds": [
            ("bench check" if ground.kind == "check" else ground.kind, in_print(ground.says))
            for ground in record.bench.grounds
        ],
        "doing_without": [as_sentence(in_print(remark)) for remark in record.bench.remarks],
        "constants": constants(record.bench.constants),
        "readings": readings(record),
        "notes": notes(record, [text for _, text in footnotes]),
        "skipped": [(step.title, in_print(step.skipped)) for step in record.steps if step.skipped],
    }
    return view | sheets(view)
