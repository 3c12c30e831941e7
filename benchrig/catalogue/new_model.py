"""The text of a new model file, with what each line means beside it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from benchrig.analysis.characteristics import CHARACTERISTICS

__all__ = ["NewLimit", "model_text"]


@dataclass(frozen=True)
class NewLimit:
    """One limit as a person gave it; the unit is the one in the name, either side may be open."""

    name: str
    low: float | None
    high: float | None
    limit_from: str


def model_text(
    model: str,
    title: str,
    normally: Literal["closed", "open"],
    limits: Sequence[NewLimit],
    *,
    rated_vacuum_kpa: float = 30.0,
    hold_vacuum_kpa: float = 60.0,
    fictional: bool = False,
    learned: bool = False,
    notes: str = "",
) -> str:
    """Write a model file, `learned`: one that waits to be approved. `read_model` says whether it is a sound one.

    Examples
    --------
    >>> from benchrig.catalogue import read_model
    >>> text = model_text("dogwood-12", "Dogwood 12", "closed", [NewLimit("hold_leak_sccm", None, 5.0, "drawing 7")])
    >>> read_model(text, where="here").limits[0].high
    5.0
    """
    lines = [
        "# A valve model: what it is, and what it allows. 'benchrig models check' says what is wrong with it.",
        "",
        f"model = {_text(model)}",
        f"title = {_text(title)}",
        f"normally = {_text(normally)}          # its state without current",
        "coil_limit_s = 120          # longest time energised without a break, seconds",
        f"rated_vacuum_kpa = {rated_vacuum_kpa:g}       # flow is stated at this vacuum below ambient",
        f"hold_vacuum_kpa = {hold_vacuum_kpa:g}        # vacuum drawn for the hold step",
        'guard_band = "0.83 U"       # to pass, a value must lie this far inside its limit; "none" or "U" are the '
        "other rules",
    ]
    if fictional:
        lines.append("fictional = true            # measured on a simulated bench: refused on a real one")
    if learned:
        lines.append(
            'approved_by = ""            # learned: nothing is tested by them before a person\'s name stands here'
        )
    if notes:
        lines.append(f"notes = {_text(notes)}")
    for limit in limits:
        about = CHARACTERISTICS[limit.name]
        lines += ["", f"[[limit]]{'':19}# {about.title}{f', {about.unit}' if about.unit else ''}"]
        lines.append(f"name = {_text(limit.name)}")
        lines += [
            f"{side} = {value:g}" for side, value in (("low", limit.low), ("high", limit.high)) if value is not None
        ]
        lines.append(f"limit_from = {_text(limit.limit_from)}")
    return "\n".join(lines) + "\n"


def _text(value: str) -> str:
    """A basic string of TOML, whose escapes are those of JSON."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
