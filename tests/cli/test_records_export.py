"""`records export`: every number exactly, whole files or none, nothing written over."""

from __future__ import annotations

import csv
import importlib.util
import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from benchrig.application.paths import store_path
from benchrig.cli import cli
from benchrig.errors import ConfigError
from benchrig.records import Store
from benchrig.records.export_files import new_file
from benchrig.records.export_rows import CHARACTERISTICS, TRACES, characteristic_rows, schema_text, trace_rows
from tests.helpers import REPOSITORY, absent
from tests.reports.sample_record import record_into, started

ODD = '=1+1, "quoted"\nsecond line; Ü'


def run(*words: str) -> Result:
    return CliRunner().invoke(cli, ["records", "export", *words])


@pytest.fixture
def store() -> Store:
    store = Store(store_path())
    record_into(store.recorder(), "accept", tag=ODD)
    record_into(store.recorder(), "reject", tag="C-2")
    store.recorder().run_started(started("C-3"))
    return store


def in_store(store: Store) -> list[tuple[object, ...]]:
    return [row for record in store.read([1, 2, 3], traces=False) for row in characteristic_rows(record)]


def test_json_holds_every_value_exactly(store: Store, tmp_path: Path) -> None:
    file = tmp_path / "all.json"
    assert run(str(file)).exit_code == 0
    document = json.loads(file.read_text(encoding="utf-8"))
    assert document["columns"] == [column.name for column in CHARACTERISTICS]
    assert [tuple(row) for row in document["rows"]] == in_store(store)
    assert document["rows"][0][1] == ODD
    assert document["rows"][-1][0] == "0003"  # a run that measured nothing yet
    assert document["rows"][-1][20] is None


def test_csv_reads_back_to_the_same_numbers(store: Store, tmp_path: Path) -> None:
    file = tmp_path / "all.csv"
    assert run(str(file)).exit_code == 0
    with file.open(encoding="utf-8", newline="") as lines:
        head, *rows = list(csv.reader(lines))
    assert head == [column.name for column in CHARACTERISTICS]
    read = {
        "text": str,
        "integer": int,
        "number": float,
        "yes or no": lambda text: {"true": True, "false": False}[text],
    }
    for row, kept in zip(rows, in_store(store), strict=True):
        for text, value, column in zip(row, kept, CHARACTERISTICS, strict=True):
            assert (read[column.kind](text) if text else None) == (None if value == "" else value), column.name


def test_parquet_holds_the_same_with_its_kinds(store: Store, tmp_path: Path) -> None:
    if importlib.util.find_spec("pyarrow") is None:
        absent("pyarrow is not installed")
    import pyarrow.parquet as pq

    file = tmp_path / "all.parquet"
    assert run(str(file), "--traces").exit_code == 0
    table = pq.read_table(file)
    assert [tuple(row.values()) for row in table.to_pylist()] == in_store(store)
    assert str(table.schema.field("value").type) == "double"
    assert str(table.schema.field("simulated").type) == "bool"
    traced = pq.read_table(tmp_path / "all-traces.parquet").to_pylist()
    kept = [row for record in store.read([1, 2, 3], traces=True) for row in trace_rows(record)]
    assert len(traced) == len(kept) > 1000
    assert [tuple(row.values()) for row in traced] == kept


@pytest.mark.slow
def test_traces_are_written_beside_sample_by_sample(store: Store, tmp_path: Path) -> None:
    file = tmp_path / "all.csv"
    done = run(str(file), "--traces", "--tag", "C-2", "--json")
    assert json.loads(done.stdout)["runs"] == 1
    with (tmp_path / "all-traces.csv").open(encoding="utf-8", newline="") as lines:
        head, *rows = list(csv.reader(lines))
    assert head == [column.name for column in TRACES]
    hold = store.run("C-2").traces("hold")[0]
    found = [row for row in rows if row[1:5] == ["hold", "hold", "sample", "pressure_pa"]]
    assert [float(row[7]) for row in found] == hold.time_s.tolist()
    assert [float(row[8]) for row in found] == hold.columns["pressure_pa"].tolist()
    assert {row[3] for row in rows} == {"sample", "fitted", "mark"}


def test_a_file_that_is_there_is_left_as_it_is(store: Store, tmp_path: Path) -> None:
    file = tmp_path / "all.csv"
    file.write_text("precious")
    done = run(str(file))
    assert done.exit_code == 2
    assert "is there already" in done.stderr
    assert file.read_text() == "precious"
    (tmp_path / "other-traces.csv").write_text("precious")
    assert run(str(tmp_path / "other.csv"), "--traces").exit_code == 2
    assert sorted(each.name for each in tmp_path.iterdir() if each.is_file()) == ["all.csv", "other-traces.csv"]


def test_a_file_is_there_whole_or_not_at_all(tmp_path: Path) -> None:
    def stopped() -> Iterator[None]:
        with new_file(tmp_path / "a.csv") as part:
            part.write_text("half")
            yield

    for _ in stopped():
        assert not (tmp_path / "a.csv").exists()
        break  # the generator is closed in the middle
    assert list(tmp_path.iterdir()) == []

    def too_late() -> None:
        with new_file(tmp_path / "b.csv") as part:
            part.write_text("mine")
            (tmp_path / "b.csv").write_text("somebody was quicker")

    with pytest.raises(ConfigError, match="is there already"):
        too_late()
    assert (tmp_path / "b.csv").read_text() == "somebody was quicker"
    assert [each.name for each in tmp_path.iterdir()] == ["b.csv"]


def test_what_cannot_be_written_is_told(store: Store, tmp_path: Path) -> None:
    assert run(str(tmp_path / "nowhere" / "all.csv")).exit_code == 2
    done = run(str(tmp_path / "all.doc"))
    assert done.exit_code == 2
    assert ".csv, .json, .parquet" in done.stderr
    assert run().exit_code == 2


def test_the_schema_is_printed_and_stands_in_the_documents() -> None:
    assert run("--schema").stdout == schema_text() == (REPOSITORY / "benchrig/records/EXPORT.md").read_text("utf-8")
    told = json.loads(run("--schema", "--json").stdout)
    assert [each["name"] for each in told["characteristics"]] == [column.name for column in CHARACTERISTICS]
