"""What the columns' types keep and give back, whoever writes and asks."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
import sqlalchemy as sa

from benchrig.records.column_types import ArraysBlob, FiniteReal, JsonText, PlainText, UtcText
from benchrig.records.serialization import parts_content, parts_from

METADATA = sa.MetaData()
KEPT = sa.Table(
    "kept",
    METADATA,
    sa.Column("said", PlainText),
    sa.Column("value", FiniteReal),
    sa.Column("parts", JsonText(parts_content, parts_from)),
    sa.Column("plain", JsonText()),
    sqlite_strict=True,
)


@pytest.fixture
def connection(tmp_path: Path) -> sa.Connection:
    engine = sa.create_engine(f"sqlite:///{tmp_path / 'kept.sqlite'}", poolclass=sa.NullPool)
    METADATA.create_all(engine)
    return engine.connect()


def test_half_a_character_becomes_a_question_mark_and_is_found_by_what_was_typed(connection: sa.Connection) -> None:
    connection.execute(sa.insert(KEPT).values(said="tag \udcff"))
    assert connection.execute(sa.select(KEPT.c.said)).scalar_one() == "tag ?"
    assert connection.execute(sa.select(KEPT.c.said).where(KEPT.c.said == "tag \udcff")).first() is not None
    assert connection.execute(sa.select(KEPT.c.said).where(KEPT.c.said.concat("") == "tag \udcff")).first() is not None


@pytest.mark.parametrize("value", [math.nan, math.inf, None])
def test_a_number_that_is_none_is_kept_as_null(connection: sa.Connection, value: float | None) -> None:
    connection.execute(sa.insert(KEPT).values(value=value))
    assert connection.exec_driver_sql("SELECT value IS NULL FROM kept").scalar_one() == 1


def test_an_object_comes_back_as_it_was_and_lies_there_as_canonical_json(connection: sa.Connection) -> None:
    parts = (("noise", 0.1), ("not known", math.nan))
    connection.execute(sa.insert(KEPT).values(parts=parts, plain={"b": [1.5], "a": "µ"}))
    raw = connection.exec_driver_sql("SELECT parts, plain FROM kept").one()
    assert tuple(raw) == ('[["noise",0.1],["not known",null]]', '{"a":"µ","b":[1.5]}')
    row = connection.execute(sa.select(KEPT)).one()
    assert row.parts[0] == parts[0]
    assert row.parts[1][0] == "not known"
    assert math.isnan(row.parts[1][1])
    assert row.plain == {"a": "µ", "b": [1.5]}


def test_what_is_not_there_stays_none(connection: sa.Connection) -> None:
    connection.execute(sa.insert(KEPT).values(said=None))
    assert tuple(connection.execute(sa.select(KEPT)).one()) == (None, None, None, None)


@pytest.mark.parametrize("kind", [UtcText(), ArraysBlob()])
def test_none_is_neither_an_instant_nor_arrays(kind: sa.types.TypeDecorator[object]) -> None:
    dialect = sa.create_engine("sqlite://").dialect
    assert kind.process_bind_param(None, dialect) is None
    assert kind.process_result_value(None, dialect) is None
