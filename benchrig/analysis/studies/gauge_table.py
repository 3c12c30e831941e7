"""The values of a gauge study as a complete table: parts, operators, trials; what is missing or odd is named."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from benchrig.analysis.results import Samples

__all__ = ["Measured", "NotAStudy", "StudyTable", "study_table"]

NAMED_AT_MOST = 5
"""So many missing cells are named one by one."""


class NotAStudy(ValueError):
    """These values cannot be analysed as a gauge study; the message says which and why."""


@dataclass(frozen=True)
class Measured:
    """One measurement: which part, by whom, which repeat (counted from 1), and what came out."""

    part: str
    operator: str
    trial: int
    value: float


@dataclass(frozen=True)
class StudyTable:
    """A crossed study in which every operator measured every part equally often.

    Attributes
    ----------
    values : ndarray, shape (parts, operators, trials)
        All finite.
    parts, operators : tuple of str
        Their names, in the order of the first two axes.
    """

    values: Samples
    parts: tuple[str, ...]
    operators: tuple[str, ...]

    @property
    def trials(self) -> int:
        """How often each operator measured each part."""
        return int(self.values.shape[2])


def study_table(rows: Iterable[Measured]) -> StudyTable:
    """Put the measurements in order.

    Parameters
    ----------
    rows : iterable of Measured
        In any order.

    Returns
    -------
    StudyTable
        Parts and operators in the order in which they first come, trials in theirs.

    Raises
    ------
    NotAStudy
        A cell is missing or there twice, a value is not finite, there are fewer than two parts or trials, or all values
        are equal.

    Examples
    --------
    >>> rows = [Measured(part, "A", trial, 2.0 * len(part) + trial) for part in ("x", "yy") for trial in (1, 2)]
    >>> study_table(rows).values.shape
    (2, 1, 2)
    >>> study_table(rows[:-1])
    Traceback (most recent call last):
        ...
    benchrig.analysis.studies.gauge_table.NotAStudy: 1 of 4 measurements is missing: part yy, operator A, trial 2.
    """
    cells: dict[tuple[str, str, int], float] = {}
    for row in rows:
        where = (row.part, row.operator, row.trial)
        if where in cells:
            raise NotAStudy(f"{_named(*where)} is there twice: {cells[where]:g} and {row.value:g}.")
        if not math.isfinite(row.value):
            raise NotAStudy(f"{_named(*where)}: {row.value:g} is not a number that can be worked with.")
        cells[where] = row.value
    parts = tuple(dict.fromkeys(part for part, _, _ in cells))
    operators = tuple(dict.fromkeys(operator for _, operator, _ in cells))
    trials = tuple(sorted({trial for _, _, trial in cells}))
    if len(parts) < 2:
        raise NotAStudy(f"At least 2 parts are needed to tell the parts from the gauge; there is {len(parts)}.")
    if len(trials) < 2:
        raise NotAStudy(f"At least 2 trials of each part are needed for the repeatability; there is {len(trials)}.")
    missing = [
        (part, operator, trial)
        for part in parts
        for operator in operators
        for trial in trials
        if (part, operator, trial) not in cells
    ]
    if missing:
        whole = len(parts) * len(operators) * len(trials)
        named = "; ".join(_named(*where) for where in missing[:NAMED_AT_MOST])
        more = f"; and {len(missing) - NAMED_AT_MOST} more" if len(missing) > NAMED_AT_MOST else ""
        raise NotAStudy(
            f"{len(missing)} of {whole} measurements {'is' if len(missing) == 1 else 'are'} missing: {named}{more}."
        )
    values = np.array([[[cells[p, o, t] for t in trials] for o in operators] for p in parts], dtype=np.float64)
    if float(np.ptp(values)) == 0.0:
        raise NotAStudy(
            f"All {values.size} values are {values.flat[0]:g}: no variation at all, of parts or gauge. Is the value "
            "rounded too coarsely, or one reading copied?"
        )
    return StudyTable(values, parts, operators)


def _named(part: str, operator: str, trial: int) -> str:
    return f"part {part}, operator {operator}, trial {trial}"
