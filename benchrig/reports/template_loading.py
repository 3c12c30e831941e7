"""The pages' templates, compiled once: compiling one takes as long as filling it ten times.

What was compiled lies where Python keeps its own compiled modules, under the same rules: made anew when the template or
the interpreter changed, not written where nothing may be written, and of no consequence when it is missing or damaged.
"""

from __future__ import annotations

import sys
from contextlib import suppress
from functools import cache
from importlib.util import cache_from_source
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemBytecodeCache, PackageLoader, StrictUndefined
from jinja2.bccache import Bucket

from benchrig.reports.formatting import value_text, visible

__all__ = ["environment"]


class _Compiled(FileSystemBytecodeCache):
    """Compiled templates beside the compiled modules; whatever is wrong with a file, the template is compiled again."""

    def load_bytecode(self, bucket: Bucket) -> None:
        try:
            super().load_bytecode(bucket)
        except Exception:  # noqa: BLE001  # half a file can raise anything
            bucket.reset()

    def dump_bytecode(self, bucket: Bucket) -> None:
        if not sys.dont_write_bytecode:
            with suppress(OSError):
                super().dump_bytecode(bucket)


@cache
def environment() -> Environment:
    """Templates in which every value is escaped, a missing value is an error, and unseen characters show."""

    def shown(value: Any) -> Any:
        # Markup, our own SVG, is a str too: it passes as it is.
        return visible(value) if type(value) is str else value

    made = Environment(
        loader=PackageLoader("benchrig.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=shown,
        bytecode_cache=_Compiled(str(Path(cache_from_source(__file__)).parent)),
    )
    made.filters["value_text"] = value_text
    return made
