"""One valve model: what it is, and what it allows. Read from TOML once, every mistake told at once."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from benchrig import tomlfile
from benchrig.analysis.characteristics import CHARACTERISTICS
from benchrig.verdict.judgement import MODELS_UNKNOWN, Limit

__all__ = ["KIND", "MODEL_NAME", "USUAL_LEAST_CLICKS", "LimitTable", "ValveModel", "read_model"]

KIND = "Model file"
USUAL_LEAST_CLICKS = 4
MODEL_NAME = r"^[a-z0-9]+(-[a-z0-9]+)*$"
"""Model names are typed on the command line: small letters, digits, single hyphens."""
Number = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class LimitTable(_Table):
    """One ``[[limit]]``: the unit is the one in the name."""

    name: str
    low: Number | None = None
    high: Number | None = None
    limit_from: str = Field(min_length=1, max_length=200)

    @field_validator("name")
    @classmethod
    def _known(cls, name: str) -> str:
        if name not in CHARACTERISTICS:
            near = difflib.get_close_matches(name, CHARACTERISTICS, n=1, cutoff=0.6)
            meant = f"did you mean {near[0]}?" if near else f"the names are {', '.join(CHARACTERISTICS)}"
            raise ValueError(f"not a characteristic that benchrig measures; {meant}")
        return name

    @model_validator(mode="after")
    def _in_order(self) -> LimitTable:
        if self.low is None and self.high is None:
            raise ValueError("neither low nor high is given; give at least one side")
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise ValueError(f"low ({self.low:g}) must be below high ({self.high:g})")
        return self


class ValveModel(_Table):
    """A catalogue entry.

    Attributes
    ----------
    model : str
        Name on the command line, e.g. ``alder-24``.
    normally : {"closed", "open"}
        State without current.
    fictional : bool
        Made up for the demonstration: refused on a real bench.
    coil_limit_s : float
        Longest time that the coil may be on without a break; the board enforces it.
    rated_vacuum_kpa, hold_vacuum_kpa : float
        Vacuum at which the flow is stated, and the vacuum drawn for the hold step.
    guard_band : {"none", "0.83 U", "U"}
        Decision rule: how far inside the limit a value must lie to pass (ILAC-G8:09/2019).
    false_accept, false_reject : float
        Largest probability that a hold which ends as soon as it has told enough takes a leaking valve for tight, and a
        tight one for leaking.
    least_clicks : int
        So many clicks at least, also where fewer would settle the matter.
    approved_by : str or None
        Who approved limits that were learned; empty: nobody yet, and nothing is tested by them. None: not learned.
    """

    model: str = Field(pattern=MODEL_NAME, max_length=60)
    title: str = Field(min_length=1, max_length=120)
    normally: Literal["closed", "open"]
    fictional: bool = False
    coil_limit_s: Annotated[float, Field(gt=0, le=600, allow_inf_nan=False)] = 120.0
    rated_vacuum_kpa: Annotated[float, Field(gt=0, lt=100, allow_inf_nan=False)]
    hold_vacuum_kpa: Annotated[float, Field(gt=5, le=85, allow_inf_nan=False)] = 60.0
    guard_band: Literal["none", "0.83 U", "U"] = "0.83 U"
    false_accept: Annotated[float, Field(ge=1e-6, le=0.1)] = 0.005
    false_reject: Annotated[float, Field(ge=1e-6, le=0.1)] = 0.005
    least_clicks: Annotated[int, Field(ge=3, le=200)] = USUAL_LEAST_CLICKS
    approved_by: str | None = Field(default=None, max_length=120)
    notes: str = Field(default="", max_length=2000)
    limit: tuple[LimitTable, ...] = Field(default=(), strict=False)

    @model_validator(mode="after")
    def _enough(self) -> ValveModel:
        wrong = _among_limits([each.name for each in self.limit])
        if wrong:
            raise ValueError(wrong)
        return self

    @property
    def general_practice(self) -> bool:
        """Whether these are no limits of a model, but what is expected of any valve."""
        return self.model in MODELS_UNKNOWN

    @property
    def limits(self) -> tuple[Limit, ...]:
        """The limits as the verdict takes them, in the order of the file."""
        return tuple(Limit(each.name, each.low, each.high, each.limit_from) for each in self.limit)


def read_model(source: Path | str, *, where: str = "") -> ValveModel:
    """Read and check a model file, or its text; `where` names it in messages, where the path does not.

    Raises
    ------
    ConfigError
        The file cannot be read, is not TOML, or holds mistakes; all of them are named.
    """
    where = where or str(source)
    table = tomlfile.table(
        source,
        kind=KIND,
        where=where,
        not_opened="Check the path and who may read it; 'benchrig models list' names the folders.",
        hint='Each line is key = value under nothing or under [[limit]]; text stands in "quotes", numbers do not.',
    )
    if table.get("model") in MODELS_UNKNOWN:
        raise tomlfile.mistakes(
            [f"model is {table['model']!r}: that name stands for a valve whose model is not known."],
            kind=KIND,
            where=where,
            hint="Give the model a name of its own.",
        )
    try:
        return ValveModel.model_validate(table)
    except ValidationError as error:
        lines = [_mistake(item["loc"], item["type"], item["msg"], item["input"], table) for item in error.errors()]
        limits = table.get("limit", [])
        if isinstance(limits, list) and not any(line.startswith("the file:") for line in lines):
            # The checks across limits do not run while a single one is wrong: all is to be told at once.
            wrong = _among_limits([each.get("name") for each in limits if isinstance(each, Mapping)])
            lines += [f"the file: {wrong}."] if wrong else []
        raise tomlfile.mistakes(
            lines,
            kind=KIND,
            where=where,
            hint="Correct these lines; 'benchrig models show' on a demonstration model shows what belongs in the file.",
        ) from error


def _among_limits(names: Sequence[object]) -> str:
    """What is wrong with the limits taken together; empty when nothing is."""
    if not names:
        return "no [[limit]] at all; without a limit every valve would be accepted"
    twice = sorted({str(name) for name in names if name is not None and names.count(name) > 1})
    return f"more than one [[limit]] for {', '.join(twice)}; keep one of each" if twice else ""


def _mistake(loc: tuple[int | str, ...], kind: str, message: str, given: object, table: Mapping[str, Any]) -> str:
    name = _where(loc, table)
    if kind == "missing":
        return f"{name}: missing. Add it."
    if kind == "extra_forbidden":
        known = LimitTable.model_fields if loc[0] == "limit" else ValveModel.model_fields
        near = difflib.get_close_matches(str(loc[-1]), known, n=1, cutoff=0.6)
        todo = f"Did you mean {near[0]}?" if near else "Take it out, or check its spelling."
        return f"{name}: not a name that benchrig knows. {todo}"
    if kind == "string_pattern_mismatch":
        return (
            f"{name} is {tomlfile.shown(given)}: a model's name is small letters, digits and single hyphens. Rename it."
        )
    if loc[:1] == ("limit",) and kind in ("tuple_type", "model_type", "model_attributes_type", "dataclass_type"):
        return f"{name} is {tomlfile.shown(given)}: write each limit as a table of its own under [[limit]]."
    said = tomlfile.plain(message)
    shown = "" if isinstance(given, (Mapping, list)) else f" is {tomlfile.shown(given)}"
    return f"{name}{shown}: {said}{'' if said.endswith('?') else '.'}"


def _where(loc: tuple[int | str, ...], table: Mapping[str, Any]) -> str:
    """Name the place as a person finds it: a limit by its characteristic, not by its number alone."""
    if not loc:
        return "the file"
    if loc[0] != "limit" or len(loc) < 2 or not isinstance(loc[1], int):
        return str(loc[0])
    limits = table.get("limit")
    entry = limits[loc[1]] if isinstance(limits, list) and loc[1] < len(limits) else None
    called = entry.get("name") if isinstance(entry, Mapping) else None
    place = f"[[limit]] number {loc[1] + 1}" + (f" ({called})" if isinstance(called, str) else "")
    return " ".join((place, *(str(part) for part in loc[2:])))
