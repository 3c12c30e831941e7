"""Read a trace from a CSV file: columns by name, every number finite, times that increase.

The file has one header line with the columns' names, comma-separated, decimal points; further columns are ignored.
Nothing is mended silently. Rows in messages are the file's lines, the header being line 1.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.errors import ConfigError

__all__ = ["LEAST_SAMPLES", "MOST_SAMPLES", "TIME", "read_trace"]

LEAST_SAMPLES: Final = 20
"""Fewer tell nothing about a curve."""
MOST_SAMPLES: Final = 2_000_000
"""An inrush at 1 MS/s for two seconds; ten times what any of the analyses can use."""
TIME = "time_s"


def read_trace(path: Path, columns: Sequence[str], optional: Sequence[str] = ()) -> dict[str, Samples]:
    """Read the named columns.

    Parameters
    ----------
    path : Path
        The file.
    columns : sequence of str
        Columns that must be there; the first is ``time_s``, strictly increasing.
    optional : sequence of str
        Columns that are read when they are there.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        Finite values, `LEAST_SAMPLES` to `MOST_SAMPLES` of them.

    Raises
    ------
    ConfigError
        The file cannot be read or is not such a file; the message names line and column.
    """
    text = _text(path)
    newline = text.find("\n")
    header_line = text if newline < 0 else text[:newline]
    names = _header(path, header_line, columns)
    wanted = [*columns, *(name for name in optional if name in names)]
    lines = text.count("\n")
    if lines > MOST_SAMPLES:
        raise ConfigError(
            f"{path}: about {lines:,} samples; at most {MOST_SAMPLES:,} are read.",
            hint="Cut the record to the event, or record at a lower rate.",
        )
    gap = text.find("\n\n")
    if gap >= 0:
        raise ConfigError(
            f"{path}: line {text.count(chr(10), 0, gap) + 2} is empty.", hint="One record in a file, without gaps."
        )
    body = io.StringIO(text[newline + 1 :] if newline >= 0 else "")
    table = _numbers(path, body, text, names, wanted)
    if len(table) < LEAST_SAMPLES:
        raise ConfigError(
            f"{path}: {len(table)} samples; at least {LEAST_SAMPLES} needed.",
            hint="Record for longer or at a higher rate.",
        )
    found = {name: np.ascontiguousarray(table[:, index]) for index, name in enumerate(wanted)}
    _finite(path, found)
    _increasing(path, found[TIME])
    for name, values in found.items():
        if name != TIME and bool(np.all(values == values[0])):
            raise ConfigError(
                f"{path}: column {name}: all {len(values):,} samples, from line 2 on, are {values[0]:g}.",
                hint="Was the probe connected, and the right channel exported?",
            )
    return found


def _text(path: Path) -> str:
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise ConfigError(
            f"{path}: cannot be read ({error.strerror or error}).", hint="Check the file's name."
        ) from error
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ConfigError(
            f"{path}: byte {error.start} is not UTF-8 text: not a CSV file.", hint="Export the trace as CSV."
        ) from error
    if "\0" in text[:65536]:
        raise ConfigError(f"{path}: holds zero bytes: not a CSV file.", hint="Export the trace as CSV, UTF-8.")
    return text.replace("\r\n", "\n").replace("\r", "\n").rstrip("\n")


def _header(path: Path, line: str, columns: Sequence[str]) -> list[str]:
    if not line.strip():
        raise ConfigError(f"{path}: line 1 is empty.", hint=f"The first line names the columns: {','.join(columns)}")
    try:
        names = [name.strip() for name in next(csv.reader([line]))]
    except csv.Error as error:
        raise ConfigError(f"{path}: line 1: {error}: not a CSV file.", hint="Export the trace as CSV.") from error
    missing = [name for name in columns if name not in names]
    if missing:
        shown = ", ".join(names[:8])[:120] + (", ..." if len(names) > 8 else "")
        hint = f"The first line names the columns: {','.join(columns)}"
        if len(names) == 1 and (";" in line or "\t" in line):
            hint = "The columns seem to be separated by semicolons or tabs: export with commas and decimal points."
        raise ConfigError(f"{path}: line 1: no column {' and no column '.join(missing)}; there is: {shown}", hint=hint)
    for name in columns:
        if names.count(name) > 1:
            raise ConfigError(
                f"{path}: line 1: column {name} is there {names.count(name)} times.", hint="Keep one of them."
            )
    return names


def _numbers(path: Path, body: io.StringIO, text: str, names: list[str], wanted: list[str]) -> Samples:
    if not body.getvalue().strip():
        return np.empty((0, len(wanted)))
    try:
        return np.asarray(
            np.loadtxt(
                body,
                delimiter=",",
                comments=None,
                quotechar='"',
                usecols=[names.index(name) for name in wanted],
                ndmin=2,
            ),
            dtype=np.float64,
        )
    except ValueError as error:
        rows = csv.reader(io.StringIO(text))
        try:
            for number, row in enumerate(rows, 1):
                if number == 1 or not row:
                    continue
                for name in wanted:
                    _cell(path, number, row, names, name)
        except csv.Error as broken:  # a quotation mark that is never closed makes one endless cell of the rest
            raise ConfigError(
                f"{path}: line {rows.line_num}: {broken}.",
                hint="Is there a quotation mark too many? Export the trace as plain CSV: numbers and commas.",
            ) from error
        raise ConfigError(
            f"{path}: not a table of numbers: {str(error)[:120]}.",
            hint="Decimal points, commas between columns, no units in the cells.",
        ) from error


def _cell(path: Path, number: int, row: list[str], names: list[str], name: str) -> None:
    index = names.index(name)
    if index >= len(row):
        raise ConfigError(
            f"{path}: line {number} has {len(row)} of {len(names)} columns; {name} is missing.",
            hint="Is the end of the file cut off? Take the line out, or export again.",
        )
    try:
        # 1_000 and Arabic digits are numbers to Python, but to nobody's logger
        float(row[index].replace("_", " ").encode("ascii"))
    except ValueError as error:
        raise ConfigError(
            f"{path}: line {number}, column {name}: {row[index][:40]!r} is not a number.",
            hint="Decimal points, not commas; no units in the cells; no empty cells.",
        ) from error


def _finite(path: Path, found: Mapping[str, Samples]) -> None:
    for name, values in found.items():
        bad = np.flatnonzero(~np.isfinite(values))
        if len(bad):
            raise ConfigError(
                f"{path}: line {bad[0] + 2}, column {name}: {values[bad[0]]:g} ({len(bad):,} such samples).",
                hint="Not-a-number or infinity cannot be analysed: export again, or cut the record before it.",
            )


def _increasing(path: Path, time_s: Samples) -> None:
    bad = np.flatnonzero(np.diff(time_s) <= 0)
    if len(bad):
        line = int(bad[0]) + 3
        raise ConfigError(
            f"{path}: line {line}, column {TIME}: {time_s[bad[0] + 1]:g} does not come after "
            f"{time_s[bad[0]]:g} on line {line - 1}.",
            hint="Times must increase from line to line: export one record only, with enough digits.",
        )
