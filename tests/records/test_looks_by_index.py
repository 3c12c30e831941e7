"""What is looked for in the store is found by an index: it takes no longer among a million runs than among ten."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from benchrig.errors import ConfigError
from benchrig.records import Store
from tests.reports.sample_record import record_into


@contextmanager
def statements(store: Store) -> Iterator[list[tuple[str, Any]]]:
    """All that is asked of the database meanwhile."""
    found: list[tuple[str, Any]] = []

    def heard(_connection: Any, _cursor: Any, statement: str, parameters: Any, *_: Any) -> None:
        found.append((statement, parameters))

    sa.event.listen(store._reader, "before_cursor_execute", heard)
    try:
        yield found
    finally:
        sa.event.remove(store._reader, "before_cursor_execute", heard)


def plans(store: Store, asked: list[tuple[str, Any]]) -> list[str]:
    """How the database goes about it, where runs are looked for."""
    found = []
    with store._reader.begin() as connection:
        for statement, parameters in asked:
            if "FROM runs" in statement:
                rows = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters).all()
                found += [row[3] for row in rows if "runs" in row[3]]
    return found


@pytest.fixture
def store(tmp_path: Path) -> Store:
    found = Store(tmp_path / "records.sqlite")
    for tag in ("T-1", "T-2", "T-1"):
        record_into(found.recorder(), "accept", tag=tag)
    return found


@pytest.mark.parametrize("column", ["tag", "model"])
def test_the_run_before_of_the_same_part_is_found_by_its_tag(store: Store, column: str) -> None:
    with store._writer.begin() as connection:  # of two indexes as good the one made last is taken, or first
        connection.exec_driver_sql(f"DROP INDEX ix_runs_{column}")
        connection.exec_driver_sql(f"CREATE INDEX ix_runs_{column} ON runs ({column})")
    record = store.run("T-1")
    with statements(store) as asked:
        before = store.before(record)
    assert before is not None
    assert before.run == "0001"
    assert "SEARCH runs USING INDEX ix_runs_tag (tag=? AND rowid<?)" in plans(store, asked)
    assert not any("ix_runs_model" in plan or plan.startswith("SCAN") for plan in plans(store, asked))


@pytest.mark.parametrize("wanted", ["T-1", "2", "run:2", "tag:T-2"])
def test_a_run_is_found_by_number_or_tag_without_reading_all(store: Store, wanted: str) -> None:
    with statements(store) as asked:
        store.run(wanted)
    assert asked
    assert not any(plan.startswith("SCAN") or "ix_runs_model" in plan for plan in plans(store, asked))


def test_near_tags_are_looked_for_among_those_of_the_latest_runs(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ConfigError) as unknown:
        store.run("T-3")
    assert "T-1" in unknown.value.hint
    assert "T-2" in unknown.value.hint
    monkeypatch.setattr("benchrig.records.run_lookup.NEAR_AMONG", 1)
    with pytest.raises(ConfigError) as unknown:
        store.run("T-3")
    assert "T-1" in unknown.value.hint
    assert "T-2" not in unknown.value.hint
