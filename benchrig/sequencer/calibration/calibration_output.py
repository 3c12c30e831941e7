"""A way to calibrate, what it found, and how references are looked at before they are used."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

from benchrig.analysis.statistics.uncertainty_budget import Budget
from benchrig.bench.bench import Bench
from benchrig.bench.calibrations import Constant, Reference
from benchrig.bench.constants import Kind
from benchrig.bench.file import BenchFile
from benchrig.errors import ConfigError, NotCalibrated
from benchrig.sequencer.operator import Operator

__all__ = ["CalibrationOutput", "Method", "in_date", "reference", "standard"]

T = TypeVar("T")


@dataclass(frozen=True)
class CalibrationOutput:
    """Constants with references, budget of the first constant, and notes."""

    constants: tuple[Constant, ...]
    references: tuple[Reference, ...]
    how: str
    parts: tuple[tuple[str, float], ...] = ()
    notes: tuple[str, ...] = ()

    @classmethod
    def of(
        cls, name: str, unit: str, budget: Budget, references: tuple[Reference, ...], how: str, *notes: str
    ) -> CalibrationOutput:
        """One constant out of its budget."""
        return cls((Constant(name, budget.value, budget.u, unit),), references, how, budget.parts, notes)


@dataclass(frozen=True)
class Method:
    """One way to calibrate one kind. `tables` of the bench file must be there, with certificates in date."""

    kind: Kind
    name: str
    title: str
    tables: tuple[str, ...]
    run: Callable[[Bench, Operator], CalibrationOutput]
    look: str = "Is the right reference connected, and are its figures right?"
    """What to look at when what comes out makes no sense."""


def standard(file: BenchFile, table: str, kind: type[T]) -> T:
    """A reference's table of the bench file. Raises ConfigError when it is not there."""
    found = getattr(file, table)
    if not isinstance(found, kind):
        raise ConfigError(
            f"The bench file has no [{table}], which this calibration needs.",
            hint=f"Add [{table}] with its certificate; 'benchrig bench show --example' prints one.",
        )
    return found


def in_date(file: BenchFile, tables: tuple[str, ...], now: datetime) -> None:
    """Look at the certificates before anything is switched.

    Raises
    ------
    ConfigError
        A reference is missing, or its certificate is dated in the future.
    NotCalibrated
        A certificate has expired.
    """
    today = now.date()
    for table in tables:
        found = standard(file, table, object)
        dated, until = getattr(found, "dated", None), getattr(found, "until", None)
        if dated is not None and dated > today:
            raise ConfigError(
                f"The certificate in [{table}] is dated {dated}, which is after today, {today}.",
                hint="Correct 'dated' in the bench file; is this computer's date right?",
            )
        if until is not None and until < today:
            raise NotCalibrated(
                f"The certificate in [{table}] counts until {until}; today is {today}.",
                hint="Have the reference calibrated, then enter its new certificate in the bench file.",
            )


def reference(name: str, file: BenchFile, table: str, value: float, u: float, unit: str) -> Reference:
    """What the calibration rests on, with the certificate of its table."""
    found = standard(file, table, object)
    return Reference(name, value, u, unit, getattr(found, "certificate", ""), getattr(found, "dated", None))
