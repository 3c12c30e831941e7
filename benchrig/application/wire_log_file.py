"""Opening a log for writing without ever writing over something else."""

from __future__ import annotations

import re
from pathlib import Path
from typing import IO

from benchrig.errors import ConfigError

__all__ = ["open_wire_log"]

_LOG_LINE = re.compile(r" *[0-9]+\.[0-9]{6} [<>] (--|[0-9a-f]{2}) [A-Za-z]")
"""What a wire log begins with (`benchrig.drivers.wire_log`)."""


def open_wire_log(path: Path, *, overwrite: bool) -> IO[str]:
    """Open a wire log for writing: a new file, or in place of an earlier wire log when that was asked for.

    Raises
    ------
    ConfigError
        Something is there already, or the file cannot be written.
    """
    try:
        if not path.exists() or path.is_char_device() or path.is_fifo():
            return path.open("w" if path.exists() else "x", encoding="utf-8")
        if not path.is_file() or not _is_log(path):
            raise ConfigError(
                f"Wire log {path}: something else than a wire log is there; it is left as it is.",
                hint="Give the path of a file that does not exist yet after --wire-log.",
            )
        if not overwrite:
            raise ConfigError(
                f"Wire log {path}: an earlier wire log is there.", hint="Another path, or --overwrite to lose that one."
            )
        return path.open("w", encoding="utf-8")
    except OSError as error:
        raise ConfigError(
            f"Wire log {path}: cannot be written ({error.strerror or error}).", hint="Check the path after --wire-log."
        ) from error


def _is_log(path: Path) -> bool:
    with path.open("rb") as file:
        begin = file.read(200)
    return not begin or _LOG_LINE.match(begin.decode("utf-8", "replace")) is not None
