"""Which parts a batch is of: a list in a CSV file, or any part, all of one model."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import cast, get_args

from benchrig.application.qualification import check_tag
from benchrig.catalogue import ValveModel
from benchrig.errors import ConfigError
from benchrig.verdict.judgement import Reason

__all__ = ["BatchPart", "read_parts"]

_COLUMNS = ("tag", "model", "reason", "complaint")
_HINT = "A header line tag,model,reason,complaint and one line for each part; only tag must be there."


@dataclass(frozen=True)
class BatchPart:
    """One part, and why it is here."""

    tag: str
    model: ValveModel
    reason: Reason
    complaint: str = ""


def read_parts(
    path: Path, model_named: Callable[[str], ValveModel], *, model: str | None, reason: Reason
) -> tuple[BatchPart, ...]:
    """Read a list of parts. A cell that is empty or not there is what `model` and `reason` say.

    Raises
    ------
    ConfigError
        The file cannot be read, or lines of it are not as they should be: all of them, each with its number.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        said = error.strerror if isinstance(error, OSError) else "not a text file in UTF-8"
        raise ConfigError(f"{path}: cannot be read ({said}).", hint=_HINT) from error
    rows = csv.DictReader(io.StringIO(text, newline=""), skipinitialspace=True, strict=True)
    found: dict[str, tuple[int, BatchPart]] = {}
    wrong: list[ConfigError] = []
    try:
        _check_header(path, rows)
        for row in rows:
            if not any(row.values()):
                continue
            try:
                part = _part(row, model_named, model=model, reason=reason)
                _check_once(part.tag, found)
                found[part.tag] = rows.line_num, part
            except ConfigError as error:
                wrong.append(ConfigError(f"Line {rows.line_num}: {error}", hint=error.hint))
    except csv.Error as error:
        raise ConfigError(f"{path}: line {rows.line_num}: {error}.", hint=_HINT) from error
    if wrong:
        said = "\n".join(str(each) for each in wrong)
        refused = ConfigError(f"{path}: nothing was begun, {len(wrong)} of its lines cannot be used.\n{said}")
        refused.problems = tuple(wrong)
        raise refused
    if not found:
        raise ConfigError(f"{path}: no part below the header line.", hint=_HINT)
    return tuple(part for _, part in found.values())


def _check_header(path: Path, rows: csv.DictReader[str]) -> None:
    names = [(name or "").strip().lower() for name in rows.fieldnames or []]
    odd = [name for name in names if name not in _COLUMNS]
    if "tag" not in names or odd or len(set(names)) < len(names):
        there = ", ".join(names) or "nothing"
        raise ConfigError(f"{path}: line 1: the columns are tag, model, reason, complaint, not: {there}.", hint=_HINT)
    rows.fieldnames = names


def _check_once(tag: str, found: dict[str, tuple[int, BatchPart]]) -> None:
    if tag in found:
        raise ConfigError(
            f"The tag {tag} stands in line {found[tag][0]} already.",
            hint="A part is on the list once; test it again by scanning it again.",
        )


def _part(
    row: dict[str, str | None], model_named: Callable[[str], ValveModel], *, model: str | None, reason: Reason
) -> BatchPart:
    if None in row:  # how the csv module gives what stands beyond the last column
        raise ConfigError("There are more cells than columns.", hint="A text with a comma in it stands in quotes.")
    cell = {name: (value or "").strip() for name, value in row.items()}
    tag = check_tag(cell["tag"])
    named = cell.get("model") or model
    if not named:
        raise ConfigError("There is no model.", hint="Name it in the line, or one for all by --model.")
    why = cell.get("reason") or reason
    if why not in get_args(Reason):
        raise ConfigError(f"The reason {why!r} is none of {', '.join(get_args(Reason))}.", hint="Correct the line.")
    return BatchPart(tag, model_named(named), cast("Reason", why), cell.get("complaint", ""))
