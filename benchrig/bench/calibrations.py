"""Calibrated constants: what a calibration holds, and how it takes the place of what the bench file says.

The constants in the bench file are the nominal ones. A calibration that counts (the newest of its kind for this bench,
not expired, not withdrawn) takes their place; the record says which was used.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, NamedTuple

from benchrig.bench.constants import CONSTANTS, BenchConstant, Kind, constant_named
from benchrig.bench.exchanged_parts import Made
from benchrig.errors import ConfigError

if TYPE_CHECKING:  # the store, which reads calibrations, does without pydantic
    from benchrig.bench.file import BenchFile

__all__ = [
    "Calibration",
    "Constant",
    "Reference",
    "Withdrawal",
    "constant_in",
    "constants_of",
    "newest",
    "with_calibrations",
    "with_constants",
]

ROUGH = 0.05
"""A constant stated no better than this part of it is a rough guess."""


class Constant(NamedTuple):
    """One constant of the bench with its standard uncertainty. `name` is table and key of the bench file."""

    name: str
    value: float
    u: float
    unit: str

    @property
    def said(self) -> str:
        """Value with twice its standard uncertainty, to two figures of that, and its unit.

        Examples
        --------
        >>> Constant("reservoir volume_l", 0.500339, 0.00104, "L").said
        '0.5003 ± 0.0021 L'
        """
        decimals = max(0, 1 - math.floor(math.log10(2 * self.u))) if self.u > 0 else 6
        return f"{self.value:.{decimals}f} ± {2 * self.u:.{decimals}f} {self.unit}"


@dataclass(frozen=True)
class Reference:
    """What a calibration rests on: the certificate and what it says."""

    name: str
    value: float
    u: float
    unit: str
    certificate: str = ""
    dated: date | None = None


@dataclass(frozen=True)
class Withdrawal:
    """A calibration found wrong later: by whom, when, why."""

    at: datetime
    operator: str
    reason: str


@dataclass(frozen=True)
class Calibration:
    """One calibration of one kind of constant.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    constants, before : tuple of Constant
        What came out, and what was in use before.
    made, until : datetime
        When it was made and how long it counts, in UTC.
    how : str
        How it was obtained, in a sentence.
    parts : tuple of (str, float)
        The budget of the first constant, in its unit, largest first.
    made_on : tuple of (str, str)
        What identified the bench then (`benchrig.bench.exchanged_parts`); empty for those of older programs.
    number : int
        In the store, counted from 1; 0 before it is there.
    """

    kind: Kind
    constants: tuple[Constant, ...]
    before: tuple[Constant, ...]
    references: tuple[Reference, ...]
    made: datetime
    until: datetime
    operator: str
    how: str
    parts: tuple[tuple[str, float], ...] = ()
    notes: tuple[str, ...] = ()
    number: int = 0
    withdrawal: Withdrawal | None = None
    made_on: Made = ()

    @property
    def name(self) -> str:
        """As people say it: ``cal-0003``."""
        return f"cal-{self.number:04d}"

    @property
    def moved(self) -> float:
        """By which part the constant moved that moved most."""
        _, part = self.moved_most
        return part

    @property
    def moved_most(self) -> tuple[int, float]:
        """Place in `constants` of the one that moved most, and by which part.

        One that was zero has not moved, and one that was no more than a rough guess may move by twice its uncertainty.
        """
        parts = [_moved(now, was) for now, was in zip(self.constants, self.before, strict=True)]
        place = parts.index(max(parts)) if parts else 0
        return place, max(parts, default=0.0)


def _moved(now: Constant, was: Constant) -> float:
    if was.value == 0 or now.name != was.name:
        return 0.0
    as_guessed = was.u > ROUGH * abs(was.value) and abs(now.value - was.value) <= 2 * was.u
    return 0.0 if as_guessed else abs(now.value / was.value - 1)


def constants_of(file: BenchFile, kind: Kind) -> tuple[Constant, ...]:
    """The constants of one kind that a bench file holds; one that it leaves out is 0 with an uncertainty of 0."""
    return tuple(constant_in(file, each) for each in CONSTANTS if each.kind == kind)


def constant_in(file: BenchFile, wanted: BenchConstant) -> Constant:
    """One constant as a bench file holds it."""
    table = getattr(file, wanted.table)
    value = getattr(table, wanted.key)
    if value is None:
        return Constant(wanted.name, 0.0, 0.0, wanted.unit)
    return Constant(wanted.name, value, getattr(table, wanted.u_key) * _u_unit(file, wanted, value), wanted.unit)


def _u_unit(file: BenchFile, constant: BenchConstant, value: float) -> float:
    """What the bench file counts the uncertainty of a constant of this value in, in the unit of the value."""
    return {"absolute": 1.0, "percent": value / 100, "pascals": file.transducer.volts_per_pa}[constant.u_is]


def with_calibrations(file: BenchFile, calibrations: Iterable[Calibration]) -> BenchFile:
    """The bench file with calibrated constants in the place of its own; of two that find the same, the later counts.

    Raises
    ------
    ConfigError
        A calibration holds what the bench file could not; it names both.
    """
    for calibration in sorted(calibrations, key=lambda one: (one.made, one.number)):
        for constant in calibration.constants:
            try:
                file = with_constants(file, (constant,))
            except ValueError as error:
                kind = calibration.kind
                raise ConfigError(
                    f"{calibration.name} ({kind}) says {constant.said} for {constant.name}: out of bounds.",
                    hint=f"benchrig bench withdraw {calibration.name} --reason ..., then calibrate {kind} anew.",
                ) from error
    return file


def with_constants(file: BenchFile, constants: Iterable[Constant]) -> BenchFile:
    """The bench file with some constants in the place of its own. Raises ValueError for one that is out of bounds."""
    for constant in constants:
        known = constant_named(constant.name)
        table, counted_in = getattr(file, known.table), _u_unit(file, known, constant.value)
        keys = {known.key: constant.value, known.u_key: constant.u / counted_in if counted_in else 0.0}
        file = file.model_copy(update={known.table: type(table).model_validate({**vars(table), **keys})})
    return file


def in_use(file: BenchFile, calibrations: Iterable[Calibration]) -> tuple[tuple[Constant, str], ...]:
    """Each constant that can be calibrated, as it is in use, and where it comes from: a calibration's name, or empty.

    A constant that the bench file leaves out and that was not calibrated is not there.
    """
    used = sorted(calibrations, key=lambda one: (one.made, one.number))
    effective = with_calibrations(file, used)
    origin = {constant.name: each.name for each in used for constant in each.constants}
    found = {each.name: constant_in(effective, each) for each in CONSTANTS}
    return tuple((each, origin.get(name, "")) for name, each in found.items() if each.value or each.u)


def newest(calibrations: Iterable[Calibration]) -> dict[Kind, Calibration]:
    """The newest calibration of each kind that was not withdrawn, expired or not."""
    found: dict[Kind, Calibration] = {}
    for each in sorted(calibrations, key=lambda one: (one.made, one.number)):
        if each.withdrawal is None:
            found[each.kind] = each
    return found
