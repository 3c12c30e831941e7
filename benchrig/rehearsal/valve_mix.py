"""What comes in: how often each valve model and each condition, and how bad. Read from TOML, every mistake at once."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from benchrig import tomlfile

__all__ = ["GOOD", "SOUND", "Share", "ValveMix", "default_mix", "load_mix", "parse_mix"]

KIND = "Mix file"
GOOD = "good"
"""The one condition that is to be accepted."""
SOUND = "sound"
"""The circumstance of a bench with which nothing is the matter."""
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Severity = Annotated[float, Field(ge=0, le=1)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Share(_Table):
    """How often a condition comes in, and between which severities; no severity leaves it to the simulated bench."""

    share: NotNegative
    severity: tuple[Severity, Severity] | None = None

    @model_validator(mode="after")
    def _in_order(self) -> Share:
        if self.severity is not None and self.severity[0] > self.severity[1]:
            raise ValueError(f"severity runs from {self.severity[0]:g} down to {self.severity[1]:g}; turn it round")
        return self


class ValveMix(_Table):
    """The whole file: shares by model and by condition. They need not sum to anything."""

    models: dict[str, NotNegative] = Field(min_length=1)
    conditions: dict[str, Share] = Field(min_length=1)
    circumstances: dict[str, NotNegative] = Field(default_factory=dict)
    """Faults of the simulated bench, there from the start, and `SOUND`; none given: it is sound."""

    @model_validator(mode="after")
    def _something(self) -> ValveMix:
        if not sum(self.models.values()) > 0:
            raise ValueError("the shares of the models are all 0")
        if not sum(each.share for each in self.conditions.values()) > 0:
            raise ValueError("the shares of the conditions are all 0")
        if self.circumstances and not sum(self.circumstances.values()) > 0:
            raise ValueError("the shares of the circumstances are all 0")
        good = self.conditions.get(GOOD)
        if good is not None and good.severity is not None:
            raise ValueError(f"a {GOOD} valve has no severity; take it out")
        return self


def default_mix() -> ValveMix:
    """The mix that comes with the program: half the valves good, severities spread evenly."""
    return parse_mix(default_text(), where="that comes with benchrig")


def default_text() -> str:
    """The text of that mix, to copy."""
    return files("benchrig.rehearsal").joinpath("default_mix.toml").read_text(encoding="utf-8")


def load_mix(path: Path) -> ValveMix:
    """Read and check a mix file.

    Raises
    ------
    ConfigError
        The file cannot be read, is not TOML, or holds mistakes; all of them are named.
    """
    hint = "Check the path after --mix; 'benchrig rehearse --example-mix' prints a mix file to start from."
    return parse_mix(tomlfile.read_text(path, kind=KIND, hint=hint), where=str(path))


def parse_mix(text: str, *, where: str) -> ValveMix:
    r"""Check the text of a mix file; `where` names it in messages. Raises ConfigError as `load_mix` does.

    Examples
    --------
    >>> mix = parse_mix("models = { alder-24 = 1 }\nconditions = { good = { share = 1 } }", where="here")
    >>> mix.conditions["good"].share
    1.0
    """
    table = tomlfile.table(text, kind=KIND, where=where, hint="Shares are numbers: alder-24 = 2, good = { share = 7 }.")
    try:
        return ValveMix.model_validate(table)
    except ValidationError as error:
        lines = [_mistake(item["loc"], item["type"], item["msg"], item["input"]) for item in error.errors()]
        hint = "Correct these lines; 'benchrig rehearse --example-mix' prints a complete mix file with comments."
        raise tomlfile.mistakes(lines, kind=KIND, where=where, hint=hint) from error


def _mistake(loc: tuple[int | str, ...], kind: str, message: str, given: object) -> str:
    name = " ".join((f"[{loc[0]}]", *(str(part) for part in loc[1:]))) if loc else "the file"
    if kind == "missing":
        return f"{name}: missing. Add it."
    if kind == "extra_forbidden":
        return f"{name}: not a name that benchrig knows. Take it out, or check its spelling."
    shown = "" if isinstance(given, (dict, list)) else f" (is {tomlfile.shown(given)})"
    return f"{name}: {tomlfile.plain(message)}{shown}."
