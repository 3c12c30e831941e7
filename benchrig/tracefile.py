"""Read a trace from a CSV file of any oscilloscope or logger, and refuse what cannot be right.

The file has one header line with the columns' names, comma-separated, decimal points; further columns are ignored.
Nothing is mended silently. Rows in messages are the file's lines, the header being line 1.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.errors import ConfigError

__all__ = ["LEAST_SAMPLES", "MOST_SAMPLES", "check_current", "check_pressure", "read_trace"]

LEAST_SAMPLES: Final = 20
"""Fewer tell nothing about a curve."""
MOST_SAMPLES: Final = 2_000_000
"""An inrush at 1 MS/s for two seconds; ten times what any of the analyses can use."""
TIME = "time_s"
CLIPPED_RUN: Final = 10


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
            f"{path}: about {lines:,} samples; {MOST_SAMPLES:,} are the most.",
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


def check_current(path: Path, time_s: Samples, current_a: Samples) -> None:
    """Refuse an inrush whose times or amplitudes cannot be right. Raises ConfigError."""
    _span(path, time_s, longest_s=20.0, what="an inrush is over within a second")
    _not_clipped(path, "current_a", current_a)
    largest = int(np.argmax(np.abs(current_a)))
    if abs(current_a[largest]) > 50.0:
        raise ConfigError(
            f"{path}: line {largest + 2}, column current_a: {current_a[largest]:g} A; such a coil takes under 2 A.",
            hint="Is the column in milliamperes, or in volts across a shunt? Convert it to amperes.",
        )


def check_pressure(path: Path, time_s: Samples, pressure_pa: Samples, *, ambient_pa: float, longest_s: float) -> None:
    """Refuse a pressure trace that is not absolute, not in pascals, not in seconds, or clipped. Raises ConfigError."""
    _span(path, time_s, longest_s=longest_s, what="such a record takes seconds to minutes")
    lowest, highest = int(np.argmin(pressure_pa)), int(np.argmax(pressure_pa))
    low, high = float(pressure_pa[lowest]), float(pressure_pa[highest])
    if low < 0:
        raise ConfigError(
            f"{path}: line {lowest + 2}, column pressure_pa: {low:g}; an absolute pressure cannot be negative.",
            hint="This looks like gauge pressure: add the ambient pressure to every value.",
        )
    for unit, factor in (("kPa", 1e3), ("hPa (mbar)", 1e2), ("bar", 1e5)):
        if high < 0.02 * ambient_pa and 0.6 * ambient_pa < high * factor < 1.3 * ambient_pa:
            raise ConfigError(
                f"{path}: line {highest + 2}, column pressure_pa: at most {high:g}; ambient is {ambient_pa:.0f} Pa.",
                hint=f"This looks like {unit}: convert the column to pascals.",
            )
    if high < 2000.0 and low * 1000 > 1000.0:
        raise ConfigError(
            f"{path}: line {highest + 2}, column pressure_pa: at most {high:g}; a pump leaves over 2,000 Pa.",
            hint="This looks like kPa or hPa: convert the column to pascals.",
        )
    if high > 1.05 * ambient_pa:
        raise ConfigError(
            f"{path}: line {highest + 2}, column pressure_pa: {high:g} Pa is above the ambient {ambient_pa:.0f} Pa.",
            hint="Check --ambient-kpa, and that the column is absolute pressure in pascals.",
        )
    if len(pressure_pa) >= 10:
        tenth = max(len(pressure_pa) // 10, 1)
        began, ended = float(pressure_pa[:tenth].mean()), float(pressure_pa[-tenth:].mean())
        if ended < 0.8 * began and ended < 0.2 * ambient_pa:
            raise ConfigError(
                f"{path}: column pressure_pa falls from {began:.0f} (line 2) to {ended:.0f} (last line); "
                "behind a closed pump an absolute pressure only rises.",
                hint="This looks like vacuum below ambient (gauge): the absolute pressure is ambient less that.",
            )
    _not_clipped(path, "pressure_pa", pressure_pa)


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
        for number, row in enumerate(csv.reader(io.StringIO(text)), 1):
            if number == 1 or not row:
                continue
            for name in wanted:
                _cell(path, number, row, names, name)
        raise ConfigError(
            f"{path}: not a table of numbers: {error}.",
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
        float(row[index].replace("_", " "))  # 1_000 is a number to Python, but to nobody's logger
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


def _span(path: Path, time_s: Samples, *, longest_s: float, what: str) -> None:
    span_s = float(time_s[-1] - time_s[0])
    if span_s > longest_s:
        raise ConfigError(
            f"{path}: column {TIME} spans {span_s:g} s, from line 2 to line {len(time_s) + 1}; "
            f"{what}, {longest_s:g} s at most.",
            hint="Are the times in milliseconds? Divide them by 1000.",
        )


def _not_clipped(path: Path, name: str, values: Samples) -> None:
    """A curve that runs into its extreme at a slope, and then stands still, was cut by the converter."""
    reach = float(values.max() - values.min())
    for extreme, sign in ((values.max(), 1.0), (values.min(), -1.0)):
        at = values == extreme
        edges = np.flatnonzero(np.diff(np.concatenate(([False], at, [False])).astype(np.int8)))
        starts, ends = edges[::2], edges[1::2]
        for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
            run = end - start
            if run < CLIPPED_RUN or start < 5:
                continue
            slope = sign * float(values[start] - values[start - 5]) / 5
            if math.isfinite(slope) and slope * min(run, 20) > 0.1 * reach:
                raise ConfigError(
                    f"{path}: line {start + 2}, column {name}: runs into {extreme:g} and stays exactly there for "
                    f"{run} samples: clipped by the converter.",
                    hint="Set a larger range on the instrument and record again.",
                )
