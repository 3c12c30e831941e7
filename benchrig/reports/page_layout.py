"""Which part of a run's page goes on which of its two printed sheets, by an estimate of how tall each part will be.

A browser decides where lines break, and there is no asking it beforehand; so heights are estimated for the narrower
sheet (A4), the shorter one (Letter) and the widest of the usual fonts (DejaVu Sans). What fits better comes out looser.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from benchrig.reports.page_text import cut
from benchrig.reports.plots import rows_of_pictures

__all__ = ["height_pt", "kept_on_front", "lower_by_pt", "sheets"]

WIDTH_PT, SHEET_PT = 526.0, 716.0
"""Between the margins of 12 mm: the width of A4, the height of Letter, less a little."""
LETTER_EM = 0.57
"""Width of a letter with what is lost at the ends of lines, in parts of the size of the type."""
FEW_LETTERS = 240
"""What was typed about the part is cut there when the sheets are overfull."""
MOST_LOWER_PT = 68.0
"""Pictures are made lower by at most this much."""


def height_pt(text: str, width_pt: float, size_pt: float = 7.6, line: float = 1.32) -> float:
    """How tall a paragraph becomes.

    Examples
    --------
    >>> height_pt("", 100.0)
    0.0
    >>> round(height_pt("x" * 100, 100.0, 10.0, 1.0))
    60
    """
    return math.ceil(LETTER_EM * size_pt * len(text) / width_pt) * size_pt * line


def kept_on_front(needed_pt: float, movable_pt: Mapping[str, float], room_pt: float = SHEET_PT) -> tuple[str, ...]:
    """Which of the movable parts stay on the front: each in its turn that still has room there.

    Examples
    --------
    >>> kept_on_front(500.0, {"first": 100.0, "second": 160.0, "third": 90.0}, 700.0)
    ('first', 'third')
    """
    stay = []
    for name, tall_pt in movable_pt.items():
        if needed_pt + tall_pt <= room_pt:
            needed_pt += tall_pt
            stay.append(name)
    return tuple(stay)


def lower_by_pt(needed_pt: float, rows_of_pictures: int, room_pt: float = SHEET_PT) -> float:
    """By how much each row of pictures has to be lower for the sheet to hold everything.

    Examples
    --------
    >>> lower_by_pt(600.0, 2, 700.0), lower_by_pt(740.0, 2, 700.0), lower_by_pt(900.0, 2, 700.0)
    (0.0, 20.0, 68.0)
    """
    over_pt = needed_pt - room_pt
    return 0.0 if over_pt <= 0 or not rows_of_pictures else min(over_pt / rows_of_pictures, MOST_LOWER_PT)


def sheets(view: dict[str, Any]) -> dict[str, Any]:
    """What stands on the front, by how much the pictures have to be lower, and whether all has to move together."""
    changes = () if view["earlier"] is None else view["earlier"].changes
    movable_pt = {
        "since": 40.0 + 14.0 * len(changes) if changes else 0.0,
        "reading": 22.0 + sum(height_pt(each, WIDTH_PT) + 2 for each in view["explained"]),
        "people": 22.0 + 4 * 10.1,
    }
    on_front = kept_on_front(_front_pt(view), movable_pt)
    back_pt = _back_pt(view) + sum(tall_pt for name, tall_pt in movable_pt.items() if name not in on_front)
    rows_pt = rows_of_pictures({step.name for step in view["record"].steps if step.traces})
    lower_pt = lower_by_pt(back_pt + sum(rows_pt), len(rows_pt))
    dense = _front_pt(view) > SHEET_PT or lower_pt == MOST_LOWER_PT
    shorter = {key: cut(view[key], FEW_LETTERS) for key in ("complaint", "findings")} if dense else {}
    return {"on_front": on_front, "lower_pt": lower_pt, "dense": dense, **shorter}


def _front_pt(view: dict[str, Any]) -> float:
    """Height of what has to stand on the front."""
    record, judgement = view["record"], view["judgement"]
    strap_pt, sign_pt, head_pt = 34.0, 10.0 + max(36.0, float(view["code_mm"]) * 72 / 25.4), 40.0
    said = [height_pt(view["sentence"], 440, 16.5, 1.2), height_pt(view["verdict"].says, 440, 8.6, 1.35)]
    if judgement is None:
        said += [height_pt(f"Check: {each}", 440, 8.6, 1.35) for each in (record.hint, record.bench_state, "once more")]
    typed = (record.intake.tag, view["complaint"], view["findings"], record.model.title + record.intake.model)
    wide = view["long_typed"]
    part_pt = 18 + 11 + sum(max(height_pt(each, 440 if wide else 172, 8.2, 1.35), 11.0) for each in typed)
    why_pt = 18 + height_pt(f"{view['to_do']} {view['to_do_why']}", WIDTH_PT if wide else 250, 8.2, 1.35)
    why_pt += sum(12 + height_pt(each["because"], 250) * (n == 0) for n, each in enumerate(view["causes"]))
    why_pt += sum(11 + height_pt(f"{each.because}{each.operator}", 250, 8.2, 1.35) for each in record.decisions)
    why_pt += sum(11 + height_pt(says, 220, 8.2, 1.35) for _, says in view["later"])
    why_pt += 0.0 if view["earlier"] is None else 40.0
    table_pt = (
        34
        + height_pt(f"Limits from: {view['limits_from']}", WIDTH_PT)
        + sum(16 + height_pt(view["remarks"][row.name].text, 95) for row in view["rows"])
    )
    bare_pt = 16 + height_pt("".join(record.bench.uncalibrated), 500, 8.2) if record.bench.uncalibrated else 0.0
    banner_pt = 26.0 * bool(view["made_up"]) + 32.0 * bool(view["practice"])
    if view["broken"]:
        banner_pt += 34.0 + sum(height_pt(each, 500, 8.0) for each in view["broken"])
    pair_pt = part_pt + why_pt + 8 if wide else max(part_pt, why_pt)
    return strap_pt + banner_pt + bare_pt + sum(said) + head_pt + pair_pt + table_pt + sign_pt


def _back_pt(view: dict[str, Any]) -> float:
    """Height of what has to stand on the back, without the pictures."""
    how = "".join(f"{row.title}: {row.how}; " for row in view["rows"])
    blocks: list[list[str]] = [
        [how, *(text for _, text in view["footnotes"])],
        [*(f"{kind}: {text}" for kind, text in view["grounds"]), *view["doing_without"]],
        ["     ".join(f"{label} {value}" for label, value in view["constants"])],
        ["     ".join(f"{label} {value}" for label, value in view["readings"])],
    ]
    listed = [*(f"{title} was left out: {why}" for title, why in view["skipped"]), *view["notes"]]
    notes_pt = 20 + sum(height_pt(each, 240) for each in listed) / 2 + 10 if listed else 0.0
    return (
        34.0 + 24.0 + notes_pt + sum(20 + sum(height_pt(each, WIDTH_PT) for each in block) for block in blocks if block)
    )
