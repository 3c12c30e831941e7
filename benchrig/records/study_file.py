"""A gauge study on disk: its plan on the first line, then a line for each measurement, written as it is made.

JSON lines, so that a study that was cut off goes on where it stopped: a line is there whole or it is not counted, and
each is on the disk before the next measurement begins. The name of the study is the name of the file.
"""

from __future__ import annotations

import json
import os
import random
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from benchrig.analysis.results import Characteristic
from benchrig.analysis.studies.gauge_table import Measured
from benchrig.errors import BenchError, ConfigError

__all__ = ["StudyFile", "StudyPlan", "planned_order", "study_path"]

VERSION = 1
_NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,59}")

Cell = tuple[str, str, int]
"""Part, operator, trial."""


@dataclass(frozen=True)
class StudyPlan:
    """What is to be measured: every operator measures every part so often, in `order`."""

    name: str
    model: str
    bench: str
    simulated: bool
    parts: tuple[str, ...]
    operators: tuple[str, ...]
    trials: int
    steps: tuple[str, ...]
    order: tuple[Cell, ...]
    begun: datetime
    setting: Mapping[str, Any] = field(default_factory=dict)
    """How the simulated parts are drawn; empty on a real bench."""

    def same_study(self, other: StudyPlan) -> list[str]:
        """Name what differs from another plan that should be the same study."""
        names = ("model", "bench", "simulated", "parts", "operators", "trials", "steps", "setting")
        return [name for name in names if getattr(self, name) != getattr(other, name)]


def planned_order(parts: Sequence[str], operators: Sequence[str], trials: int, *, seed: int) -> tuple[Cell, ...]:
    """The order in which to measure: trial after trial, operators in turn, each with the parts shuffled anew.

    An operator measures all parts before the next one takes over, and never knows which part comes again when. The
    order is the same for the same seed.

    Examples
    --------
    >>> order = planned_order(["1", "2", "3"], ["A", "B"], 2, seed=4)
    >>> len(order), len(set(order)), {trial for _, _, trial in order[:6]}
    (12, 12, {1})
    """
    draw = random.Random(f"order of a study {seed}")
    order: list[Cell] = []
    for trial in range(1, trials + 1):
        for operator in draw.sample(list(operators), len(operators)):
            order += [(part, operator, trial) for part in draw.sample(list(parts), len(parts))]
    return tuple(order)


def study_path(folder: Path, name: str) -> Path:
    """Where a study of that name is kept.

    Raises
    ------
    ConfigError
        The name is not made of small letters, digits, - and _.
    """
    if not _NAME.fullmatch(name):
        raise ConfigError(
            f"The study's name {name!r} cannot be used.",
            hint="Small letters, digits, - and _, 60 at most, e.g. --study coil-2026-11.",
        )
    return folder / f"{name}.jsonl"


class StudyFile:
    """A study that is going on, or is done."""

    def __init__(self, path: Path, plan: StudyPlan, lines: list[dict[str, Any]]) -> None:
        self.path, self.plan = path, plan
        self._lines = lines

    @classmethod
    def begin(cls, path: Path, plan: StudyPlan) -> StudyFile:
        """Write the plan. Raises BenchError when that cannot be done."""
        content = {"benchrig_study": VERSION, **vars(plan), "begun": plan.begun.isoformat()}
        study = cls(path, plan, [])
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            study._append(content, exclusive=True)
        except OSError as error:
            raise _cannot_write(path, error) from error
        return study

    @classmethod
    def read(cls, path: Path) -> StudyFile:
        """Read a study, complete or not. A last line that was cut off is taken away.

        Raises
        ------
        ConfigError
            There is none, or the file is something else.
        """
        try:
            raw = path.read_bytes()
        except OSError as error:
            raise ConfigError(f"Study {path}: cannot be read ({error.strerror}).", hint="Check the name.") from error
        whole, _, torn = raw.rpartition(b"\n")
        try:
            first, *rest = [json.loads(line) for line in whole.decode().splitlines()]
            plan = _plan(first)
            lines = [dict(line) for line in rest]
            for line in lines:
                _cell(line)
        except (ValueError, KeyError, TypeError) as error:
            raise ConfigError(
                f"Study {path}: not a study's file, or damaged ({error}).",
                hint="Restore it from a backup, or begin a new study under another name.",
            ) from error
        if torn:
            try:
                os.truncate(path, len(whole) + 1)
            except OSError as error:
                raise _cannot_write(path, error) from error
        return cls(path, plan, lines)

    @property
    def done(self) -> frozenset[Cell]:
        """What has been measured."""
        return frozenset(_cell(line) for line in self._lines)

    @property
    def left(self) -> tuple[Cell, ...]:
        """What is still to be measured, in its order."""
        done = self.done
        return tuple(cell for cell in self.plan.order if cell not in done)

    def add(self, cell: Cell, at: datetime, found: Sequence[Characteristic], notes: Sequence[str]) -> None:
        """Keep one measurement; it is on the disk when this returns.

        Raises
        ------
        BenchError
            It cannot be written; those before are safe.
        """
        part, operator, trial = cell
        line = {
            "part": part,
            "operator": operator,
            "trial": trial,
            "at": at.isoformat(),
            "found": {
                each.name: {
                    "value": each.value,
                    "u": each.u,
                    "unit": each.unit,
                    "bound": each.bound,
                    "why": each.why_not,
                }
                for each in found
            },
            "notes": list(notes),
        }
        try:
            self._append(line)
        except OSError as error:
            raise _cannot_write(self.path, error) from error
        self._lines.append(line)

    def characteristics(self) -> dict[str, str]:
        """Name and unit of everything that was measured at least once."""
        return {
            name: str(found["unit"])
            for line in self._lines
            for name, found in line["found"].items()
            if found["value"] is not None
        }

    def values(self, name: str) -> list[Measured]:
        """All measured values of one characteristic, in the order of the plan's parts and operators."""
        plan = self.plan
        order = {cell: k for k, cell in enumerate(_sorted_cells(plan))}
        lines = sorted(self._lines, key=lambda line: order.get(_cell(line), len(order)))
        return [
            Measured(*_cell(line), line["found"][name]["value"])
            for line in lines
            if name in line["found"] and line["found"][name]["value"] is not None and not line["found"][name]["bound"]
        ]

    def why_not(self, cell: Cell, name: str) -> str:
        """Why a measured cell has no value of that characteristic, as the end of a sentence; empty when not known."""
        line = next((line for line in self._lines if _cell(line) == cell), None)
        if line is None:
            return " (not measured yet)"
        found = line["found"].get(name)
        why = (
            "" if found is None else found["why"] or (f"{found['bound']} {found['value']:g}" if found["bound"] else "")
        )
        return f" ({why})" if why else ""

    def stated_u(self, name: str) -> float | None:
        """Root mean square of the standard uncertainties that the analysis stated; None when there are none."""
        stated = [line["found"][name]["u"] for line in self._lines if name in line["found"]]
        known = [float(u) ** 2 for u in stated if u is not None]
        return float((sum(known) / len(known)) ** 0.5) if known else None

    def _append(self, content: Mapping[str, Any], *, exclusive: bool = False) -> None:
        text = json.dumps(content, ensure_ascii=False, allow_nan=False, default=list)
        with self.path.open("x" if exclusive else "a", encoding="utf-8", newline="\n") as file:
            file.write(text + "\n")
            file.flush()
            os.fsync(file.fileno())


def _sorted_cells(plan: StudyPlan) -> list[Cell]:
    return [
        (part, operator, trial)
        for part in plan.parts
        for operator in plan.operators
        for trial in range(1, plan.trials + 1)
    ]


def _plan(content: Mapping[str, Any]) -> StudyPlan:
    if content["benchrig_study"] != VERSION:
        raise ValueError(f"version {content['benchrig_study']}; this program knows {VERSION}")
    return StudyPlan(
        name=str(content["name"]),
        model=str(content["model"]),
        bench=str(content["bench"]),
        simulated=bool(content["simulated"]),
        parts=tuple(content["parts"]),
        operators=tuple(content["operators"]),
        trials=int(content["trials"]),
        steps=tuple(content["steps"]),
        order=tuple((str(part), str(operator), int(trial)) for part, operator, trial in content["order"]),
        begun=datetime.fromisoformat(content["begun"]),
        setting=dict(content["setting"]),
    )


def _cell(line: Mapping[str, Any]) -> Cell:
    if not isinstance(line["found"], dict):
        raise TypeError("a measurement without its values")
    return str(line["part"]), str(line["operator"]), int(line["trial"])


def _cannot_write(path: Path, error: OSError) -> BenchError:
    return BenchError(
        f"Study {path}: cannot be written ({error.strerror or error}).",
        hint="Free space on the disk? May you write there? What was measured before is safe; the same command goes on.",
    )
