"""Standard input and output that never end a run: closed, broken, full, or unable to say a character.

A run's exit status says what became of the valve. ``benchrig qualify ... | head -1`` closes the pipe in the middle,
``>&-`` before the start, and a terminal that is shut leaves writing with an error: none of that may change the status.
"""

from __future__ import annotations

import codecs
import io
import os
import sys

from benchrig.spelling import SPELLED

__all__ = ["forgiving_streams"]


class _Forgiving(io.FileIO):
    """A file descriptor on which a write that fails is lost, and nothing else happens."""

    def write(self, data: bytes | bytearray | memoryview, /) -> int:  # type: ignore[override]  # the typed buffer is wider
        try:
            return super().write(data)
        except OSError:
            return len(data)


def _spell(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(SPELLED.get(each, "?") for each in error.object[error.start : error.end]), error.end


def forgiving_streams() -> None:
    """Put such streams in place of `sys.stdin`, `sys.stdout` and `sys.stderr`."""
    codecs.register_error("benchrig.spelled", _spell)
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            # The lowest free number is taken: without this the database could be opened as number 1.
            os.open(os.devnull, os.O_RDWR)
    if sys.stdin is None:
        sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115  # it lives as long as the program
    for name, number in (("stdout", 1), ("stderr", 2)):
        before = getattr(sys, name)
        encoding = "utf-8" if before is None else before.encoding
        if os.name == "nt":  # bytes go to the console as they are, so they must be of its code page
            encoding = os.device_encoding(number) or encoding
        raw = _Forgiving(number, "w", closefd=False)
        stream = io.TextIOWrapper(
            io.BufferedWriter(raw),  # type: ignore[type-var]  # its write takes fewer types than the stubs ask for
            encoding=encoding,
            errors="benchrig.spelled",
            line_buffering=number == 2 or raw.isatty(),
        )
        setattr(sys, name, stream)
