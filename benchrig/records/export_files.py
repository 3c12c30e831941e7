"""Writing exported rows as CSV, JSON or Parquet: whole or not at all, and never over a file that is there."""

from __future__ import annotations

import csv
import json
import math
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from typing import Any

from benchrig.errors import ConfigError
from benchrig.records.export_rows import Column

__all__ = ["FORMATS", "SCHEMA", "format_of", "new_file", "write_rows"]

SCHEMA = 1
"""Goes up when a column changes its meaning; columns may be added without."""
BATCH = 20_000
"""Rows in one group of a Parquet file."""

Row = Sequence[Any]


def format_of(path: Path, named: str | None = None) -> str:
    """The format of a file: as it is named, or by its ending.

    Raises
    ------
    ConfigError
        None of ours; or Parquet, and the library for it is not installed.
    """
    kind = path.suffix.lower().removeprefix(".") if named is None else named
    if kind not in FORMATS:
        raise ConfigError(
            f"{path.name} has no ending that names a format.",
            hint=f"One of {', '.join(f'.{each}' for each in FORMATS)}",
        )
    if kind == "parquet":
        try:
            import pyarrow  # noqa: F401
        except ModuleNotFoundError as error:
            raise ConfigError(
                "Parquet files are written by the library pyarrow, which is not installed.",
                hint="pip install 'benchrig[parquet]', or export to .csv or .json.",
            ) from error
    return kind


@contextmanager
def new_file(path: Path) -> Iterator[Path]:
    """A file to write that gets its name only at the end; a file that has that name is left as it is.

    Raises
    ------
    ConfigError
        Such a file is there, or the folder cannot be written.
    """
    if path.exists() or path.is_symlink():
        raise _there(path)
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        try:
            yield part
            with part.open("rb") as file:
                os.fsync(file.fileno())
            _name(part, path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        raise ConfigError(
            f"{path} cannot be written ({error.strerror or error}).",
            hint="Is the folder there, may you write into it, is there space left?",
        ) from error


def _name(part: Path, path: Path) -> None:
    try:
        os.link(part, path)  # unlike a renaming this never takes the place of another file
    except FileExistsError as error:
        raise _there(path) from error
    except OSError:  # a file system without links
        if path.exists():
            raise _there(path) from None
        part.rename(path)


def _there(path: Path) -> ConfigError:
    return ConfigError(f"{path} is there already; it is left as it is.", hint="Give another name, or move it away.")


def write_rows(path: Path, kind: str, columns: Sequence[Column], rows: Iterable[Row]) -> int:
    """Write all rows in a format; return how many there were."""
    return FORMATS[kind](path, columns, rows)


def _csv(path: Path, columns: Sequence[Column], rows: Iterable[Row]) -> int:
    count = 0
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([column.name for column in columns])
        for row in rows:
            writer.writerow(["true" if v is True else "false" if v is False else v for v in row])
            count += 1
    return count


def _json(path: Path, columns: Sequence[Column], rows: Iterable[Row]) -> int:
    count = 0
    with path.open("w", encoding="utf-8", newline="\n") as file:
        named = json.dumps([column.name for column in columns])
        file.write(f'{{"schema": {SCHEMA},\n"columns": {named},\n"rows": [')
        for row in rows:
            told = [None if isinstance(v, float) and not math.isfinite(v) else v for v in row]
            file.write(",\n" if count else "\n")
            file.write(json.dumps(told, ensure_ascii=False, allow_nan=False))
            count += 1
        file.write("\n]}\n")
    return count


def _parquet(path: Path, columns: Sequence[Column], rows: Iterable[Row]) -> int:
    import pyarrow as pa
    import pyarrow.parquet as pq

    kinds = {"text": pa.string(), "integer": pa.int64(), "number": pa.float64(), "yes or no": pa.bool_()}
    schema = pa.schema(
        [pa.field(c.name, kinds[c.kind], nullable=c.may_be_empty, metadata={"description": c.says}) for c in columns],
        metadata={"benchrig.schema": str(SCHEMA)},
    )
    count = 0
    left = iter(rows)
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        while batch := list(islice(left, BATCH)):
            arrays = [
                pa.array(values, field.type) for values, field in zip(zip(*batch, strict=True), schema, strict=True)
            ]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
            count += len(batch)
    return count


FORMATS: dict[str, Callable[[Path, Sequence[Column], Iterable[Row]], int]] = {
    "csv": _csv,
    "json": _json,
    "parquet": _parquet,
}
"""Ending -> what writes it."""
