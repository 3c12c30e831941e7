"""Is it still the bench that a check or a calibration was made on? Known by its parts, not by its name."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, get_args

from benchrig.bench.constants import KINDS_OF_CALIBRATION, Part

if TYPE_CHECKING:  # the store, which reads grounds, does without pydantic
    from benchrig.bench.file import BenchFile

__all__ = ["CHECK", "Made", "made_on", "swapped"]

Made = tuple[tuple[str, str], ...]
"""Name of a part of the bench and what identifies it, e.g. ``("board", "relay board BR000007")``."""
CHECK = "check"
_RESTS_ON: Mapping[str, tuple[str, ...]] = {
    CHECK: ("bench", *get_args(Part)),
    **{kind: ("bench", *each.made_with) for kind, each in KINDS_OF_CALIBRATION.items()},
}
"""What the bench check, and each kind of calibration, was made with."""


def made_on(file: BenchFile, board_name: str, meter_name: str) -> Made:
    """What identifies a bench: numbers in its file, and what board and meter answer; firmware may change."""
    found = {
        "bench": file.bench.id,
        "board": board_name.partition(",")[0].strip(),
        "meter": ",".join(field.strip() for field in meter_name.split(",")[:3]),
        "reservoir": file.reservoir.serial,
        "transducer": file.transducer.serial,
    }
    return tuple((name, value) for name, value in found.items() if value)


def swapped(kind: str, then: Made, now: Made) -> str:
    """What was exchanged since, of the parts that a kind rests on; empty when nothing was, as far as is known.

    With board and meter both exchanged it is another bench, whatever its name, and nothing carries over.

    Examples
    --------
    >>> swapped("leads", (("board", "relay board A"),), (("board", "relay board B"),))
    ''
    >>> swapped("shunt", (("board", "relay board A"),), (("board", "relay board B"),))
    'the board was relay board A, now it is relay board B'
    """
    before: Mapping[str, str] = dict(then)
    present: Mapping[str, str] = dict(now)
    other = {name for name in before.keys() & present.keys() if before[name] != present[name]}
    parts = _RESTS_ON[kind]
    if {"board", "meter"} <= other:
        parts = (*parts, "board", "meter")
    return "; ".join(
        f"the {name} was {before[name]}, now it is {present[name]}" for name in dict.fromkeys(parts) if name in other
    )
