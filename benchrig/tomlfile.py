"""Read a TOML file that a person wrote, and tell every mistake in it at once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from benchrig.errors import ConfigError

__all__ = ["mistakes", "plain", "read_text", "shown", "table"]

LARGEST_BYTES = 1_000_000
"""Of a file that a person wrote; the longest of ours has 6 kB."""
DEEPEST = 8
"""Tables and arrays within each other; ours have three."""
MOST_TOLD = 20
"""Mistakes that are told one by one; the rest are counted."""
LONGEST_SHOWN = 40
_DICTIONARY = re.compile(r"should be a valid dictionary( or (an )?instance of \w+| or object to extract fields from)?")


def read_text(path: Path, *, kind: str, hint: str) -> str:
    """The file's text. `kind` names it in messages ("Bench file"); `hint` is for a file that cannot be opened.

    Raises
    ------
    ConfigError
        The file cannot be read or is not UTF-8.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise ConfigError(f"{kind} {path}: cannot be read ({error.strerror or error}).", hint=hint) from error
    if len(raw) > LARGEST_BYTES:
        raise ConfigError(
            f"{kind} {path}: larger than {LARGEST_BYTES // 1000} kB.", hint=f"Is it really a {kind.lower()}? {hint}"
        )
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise ConfigError(
            f"{kind} {path}: byte {error.start} is not UTF-8 text.",
            hint=f"Save the file as UTF-8; is it really a {kind[0].lower()}{kind[1:]}?",
        ) from error


def table(source: Path | str, *, kind: str, where: str, hint: str, not_opened: str = "") -> dict[str, Any]:
    """A file, or its text, as nested tables. `not_opened` is the hint for a file that cannot be read.

    Raises
    ------
    ConfigError
        The file cannot be read, or is not TOML; then with the line.
    """
    text = read_text(source, kind=kind, hint=not_opened) if isinstance(source, Path) else source
    deep = f"{kind} {where}: tables or brackets nested more than {DEEPEST} deep."
    try:
        found = tomllib.loads(text)
    except RecursionError as error:
        raise ConfigError(deep, hint=hint) from error
    except ValueError as error:  # not TOML, or a whole number of thousands of digits
        raise ConfigError(f"{kind} {where}: not valid TOML: {error}.", hint=hint) from error
    inside: list[object] = [found]
    for _ in range(DEEPEST):
        inside = [
            part
            for each in inside
            for part in (each.values() if isinstance(each, dict) else each if isinstance(each, list) else ())
        ]
    if any(isinstance(each, dict | list) for each in inside):
        raise ConfigError(deep, hint=hint)
    return found


def shown(given: object) -> str:
    """What stands in the file, cut where it is long.

    >>> shown(True), shown("x" * 100)
    ('true', "'xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx...")
    """
    if isinstance(given, bool):
        return "true" if given else "false"
    try:
        said = repr(given)
    except ValueError:
        return "a number of thousands of digits"
    return said if len(said) <= LONGEST_SHOWN else f"{said[: LONGEST_SHOWN - 2]}..."


def plain(message: str) -> str:
    """A checker's message as the rest of a sentence.

    >>> plain("Value error, low must be below high")
    'low must be below high'
    >>> plain("Input should be greater than 0")
    'should be greater than 0'
    >>> plain("Input should be a valid dictionary or instance of General")
    'should be a [table] with keys'
    """
    said = message.removeprefix("Value error, ").removeprefix("Input ")
    said = (
        _DICTIONARY.sub("should be a [table] with keys", said)
        .replace("valid tuple", "list")
        .replace("valid list", "list")
    )
    return said[:1].lower() + said[1:]


def mistakes(lines: Sequence[str], *, kind: str, where: str, hint: str) -> ConfigError:
    """One error that lists every mistake, a line each.

    >>> print(mistakes(["[bench] name: missing. Add it."], kind="Bench file", where="b.toml", hint=""))
    Bench file b.toml: 1 mistake.
      [bench] name: missing. Add it.
    """
    many = "1 mistake" if len(lines) == 1 else f"{len(lines)} mistakes"
    told = [*lines[:MOST_TOLD], *([f"and {len(lines) - MOST_TOLD} more"] if len(lines) > MOST_TOLD else [])]
    return ConfigError(f"{kind} {where}: {many}.\n" + "\n".join(f"  {line}" for line in told), hint=hint)
