"""Calibrated constants: what a calibration holds, and how it takes the place of what the bench file says.

The constants in the bench file are the nominal ones. A calibration that counts (the newest of its kind for this bench,
not expired, not withdrawn) takes their place; the record says which was used.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from benchrig.bench.kinds import Kind

if TYPE_CHECKING:  # the store, which reads calibrations, does without pydantic
    from benchrig.bench.file import BenchFile

__all__ = ["Calibration", "Constant", "Reference", "Withdrawal", "constants_of", "newest", "with_calibrations"]


@dataclass(frozen=True)
class Constant:
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

    @property
    def name(self) -> str:
        """As people say it: ``cal-0003``."""
        return f"cal-{self.number:04d}"

    @property
    def moved(self) -> float:
        """By which part the first constant that was not zero before has moved."""
        return max(
            (
                abs(now.value / was.value - 1)
                for now, was in zip(self.constants, self.before, strict=True)
                if was.value != 0 and now.name == was.name
            ),
            default=0.0,
        )


def constants_of(file: BenchFile, kind: Kind) -> tuple[Constant, ...]:
    """The constants of one kind that a bench file holds."""
    if kind == "volume":
        volume_l = file.reservoir.volume_l
        return (Constant("reservoir volume_l", volume_l, volume_l * file.reservoir.u_percent / 100, "L"),)
    if kind == "shunt":
        scale = file.shunt.volts_per_amp
        return (Constant("shunt volts_per_amp", scale, scale * file.shunt.u_percent / 100, "V/A"),)
    if kind == "transducer":
        transducer = file.transducer
        return (Constant("transducer offset_v", transducer.offset_v, transducer.u_pa * transducer.volts_per_pa, "V"),)
    if kind == "leads":
        return (Constant("meter lead_ohm", file.meter.lead_ohm, file.meter.lead_u_ohm, "ohm"),)
    if kind == "heat":
        return (Constant("heat time_constant_s", file.heat.time_constant_s, file.heat.u_s, "s"),)
    return (Constant("background leak_sccm", file.background.leak_sccm, file.background.u_sccm, "sccm"),)


def _changed(file: BenchFile, calibration: Calibration) -> Mapping[str, Mapping[str, Any]]:
    """Table -> keys that the calibration replaces."""
    found = {constant.name: constant for constant in calibration.constants}
    changed: dict[str, Mapping[str, Any]] = {}
    for name, constant in found.items():
        table, key = name.split()
        value, u = constant.value, constant.u
        spread = {
            "volume_l": {"u_percent": 100 * u / value if value else 0.0},
            "volts_per_amp": {"u_percent": 100 * u / value if value else 0.0},
            "offset_v": {"u_pa": u / file.transducer.volts_per_pa},
            "lead_ohm": {"lead_u_ohm": u},
            "time_constant_s": {"u_s": u},
            "leak_sccm": {"u_sccm": u},
        }[key]
        changed[table] = {key: value, **spread}
    return changed


def with_calibrations(file: BenchFile, calibrations: Iterable[Calibration]) -> BenchFile:
    """The bench file with calibrated constants in the place of its own."""
    for calibration in calibrations:
        tables = {
            table: getattr(file, table).model_copy(update=dict(keys))
            for table, keys in _changed(file, calibration).items()
        }
        file = file.model_copy(update=tables)
    return file


def newest(calibrations: Iterable[Calibration]) -> dict[Kind, Calibration]:
    """The newest calibration of each kind that was not withdrawn, expired or not."""
    found: dict[Kind, Calibration] = {}
    for each in sorted(calibrations, key=lambda one: (one.made, one.number)):
        if each.withdrawal is None:
            found[each.kind] = each
    return found
