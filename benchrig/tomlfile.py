"""Read a TOML file that a person wrote, and tell every mistake in it at once."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from benchrig.errors import ConfigError

__all__ = ["mistakes", "plain", "read_text", "table"]


def read_text(path: Path, *, kind: str, hint: str) -> str:
    """The file's text. `kind` names it in messages ("Bench file"); `hint` is for a file that cannot be opened.

    Raises
    ------
    ConfigError
        The file cannot be read or is not UTF-8.
    """
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise ConfigError(f"{kind} {path}: cannot be read ({error.strerror or error}).", hint=hint) from error
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        raise ConfigError(
            f"{kind} {path}: byte {error.start} is not UTF-8 text.",
            hint=f"Save the file as UTF-8; is it really a {kind[0].lower()}{kind[1:]}?",
        ) from error


def table(text: str, *, kind: str, where: str, hint: str) -> dict[str, Any]:
    """The text as nested tables. Raises ConfigError with the line where it is not TOML."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{kind} {where}: not valid TOML: {error}.", hint=hint) from error
    except RecursionError as error:
        raise ConfigError(f"{kind} {where}: brackets are nested too deeply.", hint=hint) from error


def plain(message: str) -> str:
    """A checker's message as the rest of a sentence.

    >>> plain("Value error, low must be below high")
    'low must be below high'
    >>> plain("Input should be greater than 0")
    'should be greater than 0'
    """
    said = message.removeprefix("Value error, ").removeprefix("Input ")
    return said[:1].lower() + said[1:]


def mistakes(lines: Sequence[str], *, kind: str, where: str, hint: str) -> ConfigError:
    """One error that lists every mistake, a line each.

    >>> print(mistakes(["[bench] name: missing. Add it."], kind="Bench file", where="b.toml", hint=""))
    Bench file b.toml: 1 mistake.
      [bench] name: missing. Add it.
    """
    many = "1 mistake" if len(lines) == 1 else f"{len(lines)} mistakes"
    return ConfigError(f"{kind} {where}: {many}.\n" + "\n".join(f"  {line}" for line in lines), hint=hint)
