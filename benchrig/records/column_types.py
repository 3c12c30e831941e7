"""How the store's columns keep what they are given, and give it back: the recorder and the reader handle objects only.

No column holds a NaN, half a character or an instant without its zone, whoever writes it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa

from benchrig.analysis.results import Samples
from benchrig.records import serialization
from benchrig.records.archive.archived_arrays import ArchivedArrays, read_place
from benchrig.records.arrays import pack_arrays, unpack_arrays

__all__ = ["REAL", "WHOLE", "ArraysBlob", "FiniteReal", "JsonText", "PlainText", "UtcText"]


class UtcText(sa.types.TypeDecorator[datetime]):
    """An instant as ISO 8601 text in UTC, always of one length, so that text order is time order."""

    impl = sa.Text
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: sa.Dialect) -> str | None:
        """Write; a time of day without its zone is a bug and is refused."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("an instant without a time zone cannot be kept")
        return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")

    def process_result_value(self, value: str | None, dialect: sa.Dialect) -> datetime | None:
        """Read; the answer says that it is UTC."""
        return None if value is None else datetime.fromisoformat(value)


class PlainText(sa.types.TypeDecorator[str]):
    """Text, with half characters made question marks; what it is compared with is taken likewise."""

    impl = sa.Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: sa.Dialect) -> str | None:
        """Write."""
        return None if value is None else serialization.text(value)


REAL: sa.types.TypeEngine[float] = sa.Double().with_variant(sa.REAL(), "sqlite")
"""Eight bytes: a strict SQLite table knows REAL, which is that, but not DOUBLE; elsewhere REAL would mean four."""

WHOLE: sa.types.TypeEngine[int] = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
"""A whole number of 64 bits, as every SQLite integer is."""


class FiniteReal(sa.types.TypeDecorator[float]):
    """A number; one that is not finite is kept as none."""

    impl: sa.types.TypeEngine[float] = REAL
    cache_ok = True

    def process_bind_param(self, value: float | None, dialect: sa.Dialect) -> float | None:
        """Write."""
        return serialization.number(value)


class JsonText(sa.types.TypeDecorator[Any]):
    """An object as canonical JSON text, made of its plain content and made again from it.

    Without the two functions the plain content itself is what is written and read.
    """

    impl = sa.Text
    cache_ok = True

    def __init__(
        self, content: Callable[[Any], object] | None = None, restored: Callable[[Any], object] | None = None
    ) -> None:
        super().__init__()
        self.content = content
        self.restored = restored

    def process_bind_param(self, value: Any, dialect: sa.Dialect) -> str | None:
        """Write."""
        if value is None:
            return None
        return serialization.canonical(value if self.content is None else self.content(value))

    def process_result_value(self, value: str | None, dialect: sa.Dialect) -> Any:
        """Read."""
        if value is None:
            return None
        content = json.loads(value)
        return content if self.restored is None else self.restored(content)


class ArraysBlob(sa.types.TypeDecorator["Mapping[str, Samples] | ArchivedArrays"]):
    """Arrays by name, as a compressed NumPy archive; or the name of the archive file that they were moved into."""

    impl = sa.LargeBinary
    cache_ok = True

    def process_bind_param(
        self, value: Mapping[str, Samples] | ArchivedArrays | None, dialect: sa.Dialect
    ) -> bytes | None:
        """Write."""
        if isinstance(value, ArchivedArrays):
            return value.written()
        return None if value is None else pack_arrays(value)

    def process_result_value(
        self, value: bytes | None, dialect: sa.Dialect
    ) -> Mapping[str, Samples] | ArchivedArrays | None:
        """Read."""
        return None if value is None else read_place(value) or unpack_arrays(value)
