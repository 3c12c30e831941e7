"""Archive files: traces of many runs as Parquet, one row for each array, that any reader of Parquet opens.

The numbers are the 64-bit ones of the store, bit by bit. Columns: ``run``, ``started_utc``, ``tag``, ``step``,
``trace``, ``array`` (``time_s``, a quantity with its unit, or ``curve N time_s`` and ``curve N values`` of a fitted
curve), the places of step, trace and array in their order, and ``values``. Runs are never split over two files.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.errors import ConfigError
from benchrig.records.export_files import new_file

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["ArchiveAbsent", "ArchiveFolder", "RunTraces", "archive_beside"]

FORMAT = "1"
GROUP_SAMPLES = 200_000
"""A row group ends with the run in which it comes to so many: to read one run little else has to be unpacked."""
_FILE_HAS = b"runs"

Place = tuple[int, int]
"""Of a trace within its run: position of its step, position within that step."""


class ArchiveAbsent(Exception):
    """Nothing can be said of an archive file: it is not there, or this computer cannot read Parquet."""


class RunTraces(NamedTuple):
    """The traces of one run, as they are archived.

    Attributes
    ----------
    run : int
        Number in the store.
    started_utc, tag, digest : str
        Of the record, for whoever opens the file; the digest is its last one.
    traces : tuple
        Place, step's name, trace's name, arrays by name.
    """

    run: int
    started_utc: str
    tag: str
    digest: str
    traces: tuple[tuple[Place, str, str, Mapping[str, Samples]], ...]


def archive_beside(store: Path) -> ArchiveFolder:
    """The archive of a store: the folder ``archive`` beside it."""
    return ArchiveFolder(store.parent / "archive")


class ArchiveFolder:
    """A folder of archive files. Files that were opened stay open."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._open: dict[str, Any] = {}

    # -- writing

    def write(self, runs: Iterable[RunTraces], first: int, last: int) -> str:
        """Write a file, whole or not at all and over no other one; return its name.

        Raises
        ------
        ConfigError
            It cannot be written, or the library for Parquet is not installed.
        """
        import_parquet()
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise ConfigError(
                f"The folder {self.folder} cannot be made ({error.strerror or error}).", hint="May you write there?"
            ) from error
        name, more = f"traces-{first:04d}-{last:04d}.parquet", 1
        while (self.folder / name).exists():
            more += 1
            name = f"traces-{first:04d}-{last:04d}-{more}.parquet"
        with new_file(self.folder / name) as part:
            _write(part, runs)
        _sync_folder(self.folder)
        return name

    def forget_parts(self) -> None:
        """Take away what a start that was cut off left half written. Nobody else may be writing."""
        for part in self.folder.glob(".*.parquet.*.part"):
            with suppress(OSError):
                part.unlink(missing_ok=True)

    # -- reading

    def names(self) -> list[str]:
        """Names of the files that are there."""
        return sorted(path.name for path in self.folder.glob("*.parquet")) if self.folder.is_dir() else []

    def runs_in(self, name: str) -> dict[int, str]:
        """Numbers of the runs in a file, with their last digests.

        Raises
        ------
        ArchiveAbsent
            It is not there.
        ValueError
            It is damaged, or no archive of ours.
        """
        told = self._file(name).metadata.metadata or {}
        if _FILE_HAS not in told:
            raise ValueError("it is no archive of traces")
        return {int(run): str(digest) for run, digest in json.loads(told[_FILE_HAS]).items()}

    def arrays(self, name: str, run: int) -> dict[Place, dict[str, Samples]]:
        """The arrays of a run's traces. Raises as `runs_in` does."""
        import pyarrow as pa

        file = self._file(name)
        try:
            groups = [at for at in range(file.num_row_groups) if _may_hold(file.metadata.row_group(at), run)]
            found: dict[Place, dict[str, Samples]] = {}
            for group in groups:
                table = file.read_row_group(group)
                mine = table.filter(pa.compute.equal(table["run"], run)).combine_chunks()
                for step, trace, array, values in _rows(mine):
                    found.setdefault((step, trace), {})[array] = values
        except (pa.ArrowException, OSError, KeyError) as error:
            raise ValueError(_first_line(error)) from error
        return found

    def _file(self, name: str) -> Any:
        if name not in self._open:
            path = self.folder / name
            if Path(name).name != name or not path.is_file():
                raise ArchiveAbsent(f"it is not in {self.folder}")
            try:
                import pyarrow as pa
                import pyarrow.compute
                import pyarrow.parquet as pq
            except ModuleNotFoundError as error:
                raise ArchiveAbsent("pyarrow is not installed: pip install 'benchrig[parquet]'") from error
            try:
                self._open[name] = pq.ParquetFile(path)
            except (pa.ArrowException, OSError) as error:
                raise ValueError(_first_line(error)) from error
        return self._open[name]


def import_parquet() -> None:
    """Make sure that Parquet can be written. Raises ConfigError."""
    try:
        import pyarrow  # noqa: F401
    except ModuleNotFoundError as error:
        raise ConfigError(
            "Archives are Parquet files, and the library for these, pyarrow, is not installed.",
            hint="pip install 'benchrig[parquet]'",
        ) from error


def _schema() -> pa.Schema:
    import pyarrow as pa

    kinds = {
        "run": pa.int64(),
        "started_utc": pa.string(),
        "tag": pa.string(),
        "step": pa.string(),
        "trace": pa.string(),
        "array": pa.string(),
        "step_place": pa.int32(),
        "trace_place": pa.int32(),
        "array_place": pa.int32(),
        "values": pa.list_(pa.field("element", pa.float64(), nullable=False)),
    }
    fields = [pa.field(name, kind, nullable=False) for name, kind in kinds.items()]
    return pa.schema(fields, metadata={"archive": FORMAT})


def _write(path: Path, runs: Iterable[RunTraces]) -> None:
    import pyarrow.parquet as pq

    there: dict[int, str] = {}
    schema = _schema()
    words = ["tag", "step", "trace", "array"]
    # No dictionary of numbers: it could take two NaN, or 0 and -0, for one. Plain ones at this level are smallest.
    with pq.ParquetWriter(path, schema, compression="zstd", compression_level=12, use_dictionary=words) as writer:
        rows: list[tuple[Any, ...]] = []
        samples = 0
        for run in runs:
            there[run.run] = run.digest
            of = (run.run, run.started_utc, run.tag)
            for (step, place), named, trace, arrays in run.traces:
                for at, (array, values) in enumerate(arrays.items()):
                    rows.append((*of, named, trace, array, step, place, at, values))
                    samples += len(values)
            if samples >= GROUP_SAMPLES:
                writer.write_table(_table(rows, schema))
                rows, samples = [], 0
        if rows:
            writer.write_table(_table(rows, schema))
        writer.add_key_value_metadata({_FILE_HAS: json.dumps(there)})


def _table(rows: list[tuple[Any, ...]], schema: pa.Schema) -> pa.Table:
    import pyarrow as pa

    *plain, values = zip(*rows, strict=True)
    ends = np.cumsum([0, *(len(each) for each in values)]).astype(np.int32)
    samples = pa.array(np.concatenate([np.ascontiguousarray(each, dtype="<f8") for each in values]))
    lists = pa.ListArray.from_arrays(pa.array(ends), samples).cast(schema.field("values").type)
    columns = [pa.array(each, field.type) for each, field in zip(plain, schema, strict=False)]
    return pa.Table.from_arrays([*columns, lists], schema=schema)


def _rows(table: pa.Table) -> Iterator[tuple[int, int, str, Samples]]:
    """Step's place, trace's place, array's name and its values, in the order of the places of the arrays."""
    lists = table["values"]
    order = sorted(range(table.num_rows), key=table["array_place"].to_pylist().__getitem__)
    steps, traces, arrays = (table[name].to_pylist() for name in ("step_place", "trace_place", "array"))
    for at in order:
        values = lists[at].values.to_numpy(zero_copy_only=False)
        yield steps[at], traces[at], arrays[at], np.array(values, dtype=np.float64)


def _may_hold(group: Any, run: int) -> bool:
    said = group.column(0).statistics
    return said is None or not said.has_min_max or bool(said.min <= run <= said.max)


def _first_line(error: BaseException) -> str:
    return str(error).strip().partition("\n")[0] or type(error).__name__


def _sync_folder(folder: Path) -> None:
    """A new name is on the disk when its folder is (POSIX)."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
