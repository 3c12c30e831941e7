"""From measured values to a study's report: a typed-in CSV file or a study's own file, and the model's tolerances."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from pathlib import Path

from benchrig.analysis.characteristics import CHARACTERISTICS
from benchrig.analysis.studies.gauge_ranges import range_study
from benchrig.analysis.studies.gauge_study import gauge_study
from benchrig.analysis.studies.gauge_table import Measured, NotAStudy, study_table
from benchrig.catalogue import ValveModel
from benchrig.errors import ConfigError
from benchrig.records.study_file import StudyFile
from benchrig.reports.gauge_words import Studied, StudyReport

__all__ = ["read_values", "report_of_file", "report_of_study", "tolerance_of"]

_COLUMNS = ("part", "trial", "value")


def read_values(path: Path) -> list[Measured]:
    """Read part, operator, trial and value from a CSV file with a header line.

    The operator's column may be missing: one operator then. Further columns are ignored.

    Raises
    ------
    ConfigError
        The file cannot be read, or a line is not as it should be; it is named.
    """
    hint = "A header line part,operator,trial,value and one line for each measurement, decimal points."
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        said = error.strerror if isinstance(error, OSError) else "not a text file in UTF-8"
        raise ConfigError(f"{path}: cannot be read ({said}).", hint=hint) from error
    rows = csv.DictReader(io.StringIO(text), skipinitialspace=True)
    names = [(name or "").strip() for name in rows.fieldnames or []]
    rows.fieldnames = names
    missing = [name for name in _COLUMNS if name not in names]
    if missing:
        there = ", ".join(name for name in names if name) or "none"
        raise ConfigError(f"{path}: column {', '.join(missing)} is missing; there are: {there}.", hint=hint)
    try:
        found = [_measured(path, rows.line_num, row) for row in rows if any(row.values())]
    except csv.Error as error:
        raise ConfigError(f"{path}: line {rows.line_num}: {error}.", hint=hint) from error
    if not found:
        raise ConfigError(f"{path}: no measurement below the header line.", hint=hint)
    return found


def _measured(path: Path, line: int, row: dict[str, str | None]) -> Measured:
    def cell(name: str) -> str:
        return (row.get(name) or "").strip()

    for name in _COLUMNS:
        if not cell(name):
            raise ConfigError(
                f"{path}: line {line}: {name} is empty.", hint="A missing measurement has no line at all."
            )
    try:
        trial = int(cell("trial"))
    except ValueError as error:
        raise ConfigError(
            f"{path}: line {line}: trial {cell('trial')!r} is not a whole number.", hint="Count the trials from 1."
        ) from error
    try:
        value = float(cell("value"))
    except ValueError as error:
        raise ConfigError(
            f"{path}: line {line}: value {cell('value')!r} is not a number.", hint="Decimal points, no units."
        ) from error
    if not math.isfinite(value):
        raise ConfigError(
            f"{path}: line {line}: the value is {cell('value')}, not a number that can be worked with.",
            hint="Measure that part again.",
        )
    return Measured(cell("part"), cell("operator") or "1", trial, value)


def report_of_file(
    path: Path, *, name: str, characteristic: str, unit: str, alpha: float, tolerance: float | None
) -> StudyReport:
    """Analyse typed-in values.

    Raises
    ------
    ConfigError
        They are no complete study; the message says which measurement is missing or odd.
    """
    rows = read_values(path)
    about = CHARACTERISTICS.get(characteristic)
    try:
        one = _studied(
            characteristic,
            unit or (about.unit if about else ""),
            rows,
            alpha,
            tolerance,
            "as given" if tolerance else "",
        )
    except NotAStudy as error:
        raise ConfigError(
            f"{path}: {error}", hint="Measure what is missing, or take the part out of the study."
        ) from error
    assert one.table is not None  # for the type checker: _studied gives a table or raises
    return StudyReport(
        name=name,
        model="",
        bench="",
        source=f"values from {path.name}",
        made_up="",
        begun=None,
        parts=len(one.table.parts),
        operators=one.table.operators,
        trials=one.table.trials,
        alpha=alpha,
        studied=(one,),
    )


def report_of_study(
    study: StudyFile, model: ValveModel | None, *, alpha: float, only: Sequence[str], tolerance: float | None
) -> StudyReport:
    """Analyse what a study's file holds, each characteristic by itself; what is incomplete says why."""
    plan = study.plan
    units = study.characteristics()
    names = [name for name in CHARACTERISTICS if name in units and (not only or name in only)]
    studied = []
    for name in names:
        width, where = (tolerance, "as given") if tolerance is not None else tolerance_of(name, model)
        try:
            rows = _with_missing_noted(study, name)
            studied.append(_studied(name, units[name], rows, alpha, width, where, study.stated_u(name)))
        except NotAStudy as error:
            studied.append(Studied(name, units[name], None, None, None, why_not=str(error)))
    made_up = "Simulated bench: no valve was measured. Every number on this page is made up." if plan.simulated else ""
    return StudyReport(
        name=plan.name,
        model=plan.model,
        bench=plan.bench,
        source=f"study {plan.name}, {len(study.done)} of {len(plan.order)} measurements",
        made_up=made_up,
        begun=plan.begun,
        parts=len(plan.parts),
        operators=plan.operators,
        trials=plan.trials,
        alpha=alpha,
        studied=tuple(studied),
    )


def tolerance_of(name: str, model: ValveModel | None) -> tuple[float | None, str]:
    """Width of what the model allows, and where it is from; None where one side is open without a natural zero."""
    limit = None if model is None else next((limit for limit in model.limits if limit.name == name), None)
    if limit is None or limit.high is None:
        return None, ""
    if limit.low is not None:
        return limit.high - limit.low, limit.limit_from
    return (limit.high, limit.limit_from) if CHARACTERISTICS[name].from_zero else (None, "")


def _with_missing_noted(study: StudyFile, name: str) -> list[Measured]:
    rows = study.values(name)
    there = {(row.part, row.operator, row.trial) for row in rows}
    missing = [cell for cell in study.plan.order if cell not in there]
    if missing:
        part, operator, trial = missing[0]
        more = f" and {len(missing) - 1} more" if len(missing) > 1 else ""
        raise NotAStudy(
            f"{len(missing)} of {len(study.plan.order)} values are missing: part {part}, operator {operator}, "
            f"trial {trial}{more}{study.why_not(missing[0], name)}."
        )
    return rows


def _studied(
    name: str,
    unit: str,
    rows: Sequence[Measured],
    alpha: float,
    tolerance: float | None,
    tolerance_from: str,
    stated_u: float | None = None,
) -> Studied:
    table = study_table(rows)
    study = gauge_study(table, alpha=alpha, tolerance=tolerance)
    return Studied(name, unit, table, study, range_study(table), tolerance, tolerance_from, stated_u)
