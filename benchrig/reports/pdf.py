"""A run's page and label as PDF, without a browser: set by Typst, with fonts that every installation has.

The content is that of the HTML page (`reports.page`), the pictures are the same drawings. Fonts are embedded, text can
be selected and searched, and the same record gives the same bytes on the same computer.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Literal

from benchrig.errors import ConfigError
from benchrig.records.run_record import RunRecord
from benchrig.reports.label import label_view
from benchrig.reports.page import page_view
from benchrig.reports.template_loading import environment

__all__ = ["Paper", "label_pdf", "page_pdf"]

Paper = Literal["a4", "us-letter"]
FONT = "DejaVu Sans"
"""Comes with Matplotlib; what it lacks is taken from the computer's own fonts."""
_TONES = {
    "accept": ("#0d6b57", "#e9f4f0"),
    "reject": ("#a8360f", "#fbeee8"),
    "undecided": ("#8a5f00", "#fbf4e0"),
    "aborted": ("#56507a", "#f0eff6"),
}
_STRIP = (
    "<style>.rail{stroke:#d5dce0;stroke-width:1}.allowed{fill:#dbe2e6}.bound{stroke:#7a8790;stroke-width:1}"
    ".whisker{stroke-width:1.4}.whisker.good{stroke:#22303a}.whisker.bad{stroke:#a8360f}"
    ".mark{stroke:#fff;stroke-width:.8}.mark.good{fill:#22303a}.mark.bad{fill:#a8360f}</style>"
)
"""The colours that page.css gives to the strips."""


def page_pdf(record: RunRecord, before: RunRecord | None = None, *, paper: Paper = "a4") -> bytes:
    """The page of a run as a PDF of two sheets; see `page.page_html`.

    Raises
    ------
    ConfigError
        The library is not installed.
    """
    return _set("page.typ", {**_content(page_view(record, before)), "paper": paper})


def label_pdf(record: RunRecord) -> bytes:
    """The label of a run, 62 by 29 mm. Raises ConfigError as `page_pdf` does."""
    view = label_view(record)
    rest = [f"{record.intake.model}, {view['day']}"]
    if record.model.general_practice:
        rest.append("general practice only")
    if record.bench.uncalibrated:
        rest.append("uncalibrated bench" + (", simulated" if record.bench.simulated else ""))
    elif record.bench.simulated:
        rest.append("simulated, not a real part")
    tag = record.intake.tag
    return _set(
        "label.typ",
        {
            "title": f"Label of run {record.own_name}",
            "digest": record.digest,
            "word": view["verdict"].word,
            "aborted": record.judgement is None,
            "shape": _shape(view["verdict"], "#000"),
            "tag": tag,
            "long_tag": len(tag) > 24,
            "to_do": view["to_do"],
            "cause": view["cause"],
            "rest": rest,
            "broken": bool(view["broken"]),
            "code": str(view["code"]),
            "code_mm": float(view["code_mm"]),
            "code_says": view["code_says"],
            "number": record.own_number,
            "seal": view["sealed"],
        },
    )


def _set(template: str, content: Mapping[str, Any]) -> bytes:
    """Set a template with its content. Nothing is fetched, and nothing but the fonts is read."""
    try:
        import typst
    except ModuleNotFoundError as error:
        raise ConfigError(
            "PDF files are made by the library typst, which is not installed.",
            hint="pip install 'benchrig[pdf]'; or open the HTML page and print it into a file.",
        ) from error
    told = json.dumps({**content, "fonts": [FONT]}, ensure_ascii=False, allow_nan=False)
    source = Path(__file__).with_name("templates") / template
    return typst.compile(source, format="pdf", font_paths=_fonts(), sys_inputs={"run": told}, timestamp=0)


@cache
def _fonts() -> list[Path]:
    """Folder of the fonts that come with Matplotlib, found without importing it."""
    found = find_spec("matplotlib")
    if found is None or found.origin is None:
        return []
    return [Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"]


def _content(view: Mapping[str, Any]) -> dict[str, Any]:
    """What the page shows, as plain data; where nothing stands in it the template leaves it out."""
    record: RunRecord = view["record"]
    verdict = view["verdict"]
    tone, tint = _TONES[verdict.key]
    bench = record.bench
    earlier, judgement = view["earlier"], view["judgement"]
    changes = () if earlier is None else earlier.changes
    return {
        "title": f"Run {record.own_number}: {verdict.word}",
        "digest": record.digest,
        "about": f"Test of the valve with the tag {record.intake.tag}",
        "tone": tone,
        "tint": tint,
        "shape": _shape(verdict, tone),
        "shop": bench.workshop or bench.name,
        "address": bench.address,
        "number": record.own_number,
        "short_tag": view["short_tag"],
        "day": view["day"],
        "broken": view["broken"],
        "made_up": view["made_up"],
        "practice": view["practice"],
        "uncalibrated": "; ".join(bench.uncalibrated),
        "sentence": view["sentence"],
        "cause_says": view["cause_says"] or "",
        "word": verdict.word,
        "says": verdict.says,
        "hints": [] if judgement is not None else _hints(record),
        "part": _part(view),
        "long_typed": view["long_typed"],
        "why_heading": "Why" if judgement is not None else "What to do",
        "causes": [{**each, "percent": int(each["percent"])} for each in view["causes"]],
        "todo": _to_do(view),
        "earlier": "" if earlier is None else _earlier(view),
        "changed_since": "" if earlier is None else f"Changed since run {earlier.run}",
        "changes": [
            {
                "title": each.title,
                "before": _with_unit(each.before, each.unit),
                "before_outcome": each.before_outcome,
                "now": _with_unit(each.now, each.unit),
                "now_outcome": each.now_outcome,
            }
            for each in changes
        ],
        "rows": [_row(view, row) for row in view["rows"]],
        "below_table": _below_table(view),
        "explained": view["explained"],
        "on_front": list(view["on_front"]),
        "people": _people(view),
        "operator": record.intake.operator,
        "code": str(view["code"]),
        "code_mm": view["code_mm"],
        "code_says": view["code_says"],
        "pictures": [
            {**each, "wide": each["shape"] == "wide", "svg": _in_font(str(each["svg"]))} for each in view["pictures"]
        ],
        "how": [[row.title, row.how] for row in view["rows"] if row.how],
        "footnotes": [list(each) for each in view["footnotes"]],
        "rests_on": [
            *(list(each) for each in view["grounds"]),
            *([["", " ".join(view["doing_without"])]] if view["doing_without"] else []),
        ],
        "lists": [
            [heading, [list(each) for each in items]]
            for heading, items in (
                ("Constants of the bench (± is k = 2)", view["constants"]),
                ("Other readings", view["readings"]),
            )
            if items
        ],
        "notes": [*(f"{title} was left out: {why}" for title, why in view["skipped"]), *view["notes"]],
        "foot": _foot(view),
    }


def _hints(record: RunRecord) -> list[list[str]]:
    hints = [["Check:", record.hint], ["Bench was left:", record.bench_state]]
    return [*(each for each in hints if each[1]), ["", "This says nothing about the valve, neither good nor bad."]]


def _part(view: Mapping[str, Any]) -> list[list[str]]:
    intake, model = view["record"].intake, view["record"].model
    titled = f"{intake.model}: {model.title or model.model}"
    return [
        ["Tag", intake.tag],
        ["Model", titled if "normally" in model.title else f"{titled}; normally {model.normally}"],
        ["Why it is here", view["reason"]],
        ["Complaint", view["complaint"] or "none given"],
        ["Seen on it", view["findings"] or "nothing noted"],
    ]


def _to_do(view: Mapping[str, Any]) -> list[list[str]]:
    if view["judgement"] is None:
        said = [["Test it again.", "The run did not come to its end, so nothing is said about the part."]]
    else:
        said = [[f"{view['to_do']}.", view["to_do_why"]]]
        said += [
            ["Decided:", f"{each.disposition}, {each.at.astimezone():%Y-%m-%d}, {each.operator}: {each.because}"]
            for each in view["record"].decisions
        ]
    return [*said, *([f"Since, {day}:", f"{says}."] for day, says in view["later"])]


def _earlier(view: Mapping[str, Any]) -> str:
    earlier = view["earlier"]
    more = "" if "since" in view["on_front"] else " What has changed: see the back."
    return f"Run {earlier.run}, {earlier.day}: {earlier.says}.{more if earlier.changes else ' No outcome has changed.'}"


def _row(view: Mapping[str, Any], row: Any) -> dict[str, Any]:
    found = view["measured"].get(row.name)
    remark = view["remarks"][row.name]
    strip = str(view["strips"][row.name])
    return {
        "title": row.title,
        "value": environment().filters["value_text"](found),
        "value_unit": "" if found is None else row.unit,
        "limit": row.limit if row.allowed else "",
        "limit_unit": row.unit if row.allowed else "",
        "strip": _in_font(strip.replace(">", f">{_STRIP}", 1)) if strip else "",
        "outcome": row.outcome,
        "sign": row.sign,
        "number": remark.number or 0,
        "remark": "" if remark.number else remark.text,
    }


def _below_table(view: Mapping[str, Any]) -> str:
    said = f"Limits from: {view['limits_from']}." if view["limits_from"] else ""
    return f"{said} Small numbers: see the back." if view["footnotes"] else said


def _people(view: Mapping[str, Any]) -> list[list[str]]:
    bench = view["record"].bench
    seconds = f", {view['seconds']} on the bench" if view["seconds"] else ""
    return [
        ["When", f"{view['day']}, {view['time']} {view['zone']}{seconds}"],
        ["Bench", f"{bench.name}; bench file {bench.bench_file_sha256[:12]}"],
        ["Board", bench.board],
        ["Meter", bench.meter],
    ]


def _foot(view: Mapping[str, Any]) -> list[str]:
    record = view["record"]
    seed = "" if record.seed is None else f", seed {record.seed}"
    first = f"run {record.own_name}{seed}, {record.program or 'benchrig'}"
    return [first, f"digest of the record {record.digest}", *([view["sealed"]] if view["sealed"] else [])]


def _with_unit(value: str, unit: str) -> str:
    return value if value == "not measured" else f"{value} {unit}".rstrip()


def _shape(verdict: Any, tone: str) -> str:
    drawn = environment().get_template("shape.svg").render(verdict=verdict).replace("var(--tone)", tone)
    return _in_font(drawn)


def _in_font(svg: str) -> str:
    """A picture of the page as a file of its own: named as SVG, its words in the PDF's font."""
    named = "" if "xmlns=" in svg else ' xmlns="http://www.w3.org/2000/svg"'
    return re.sub(r"<svg ", f'<svg{named} font-family="{FONT}" ', svg, count=1)
