"""What stands in the store in place of a trace's arrays once they lie in an archive file.

It names the file, and the SHA-256 of the bytes that stood there: so seals hold as before (`sealed_content`). Whether
the samples in the file are those that were recorded tell the steps' digests, which are sealed too.
"""

from __future__ import annotations

import json
from typing import NamedTuple

__all__ = ["MARK", "ArchivedArrays", "read_place"]

MARK = b"in an archive file: "
"""No NumPy archive begins like this."""


class ArchivedArrays(NamedTuple):
    """Where arrays are: a file's name, without its folder; and the SHA-256 of the bytes that they were in the store."""

    file: str
    sha256: str

    def written(self) -> bytes:
        """As it stands in the store.

        Examples
        --------
        >>> read_place(ArchivedArrays("traces-0001-0002.parquet", "9f3c").written())
        ArchivedArrays(file='traces-0001-0002.parquet', sha256='9f3c')
        """
        return MARK + json.dumps(self._asdict()).encode()


def read_place(stored: bytes) -> ArchivedArrays | None:
    """Read what stands in the store; None where it is the arrays themselves.

    Raises
    ------
    ValueError
        It is damaged.
    """
    if not stored.startswith(MARK):
        return None
    said = json.loads(stored[len(MARK) :])
    if not isinstance(said, dict) or set(said) != set(ArchivedArrays._fields):
        raise ValueError("what names an archive file is damaged")
    return ArchivedArrays(str(said["file"]), str(said["sha256"]))
