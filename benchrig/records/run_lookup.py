"""Which run is meant: by its number, by a tag, or by what a scanner reads from a label."""

from __future__ import annotations

import difflib
import re

import sqlalchemy as sa

from benchrig.errors import ConfigError
from benchrig.records import tables
from benchrig.records.label_code import LabelCode, read_label_code
from benchrig.records.recorder import run_number
from benchrig.records.seals import STORE_FIGURES

__all__ = ["find_run", "near_tags", "tag_of_label"]

NEAR_AMONG = 5000
"""Near tags are looked for among those of so many of the latest runs."""


def find_run(connection: sa.Connection, wanted: str) -> int | None:
    """The run that is meant; None when there is none.

    Raises
    ------
    ConfigError
        A number that is a run's and also the tag of a part: which of both is meant is not guessed.
    """
    code = read_label_code(wanted)
    if code is not None:
        return _labelled(connection, code)
    if wanted.startswith("run:"):
        number = wanted.removeprefix("run:").strip()
        return _numbered(connection, number) or _named(connection, number)
    if wanted.startswith("tag:"):
        tag = wanted.removeprefix("tag:").strip()
        code = read_label_code(tag)
        return _latest(connection, tag if code is None else tag_of_label(connection, code) or "")
    by_number, by_tag = _numbered(connection, wanted) or _named(connection, wanted), _latest(connection, wanted)
    if by_number is not None and by_tag is not None and by_number != by_tag:
        tag = connection.execute(sa.select(tables.runs.c.tag).where(tables.runs.c.id == by_number)).scalar_one()
        raise ConfigError(
            f"{wanted!r} is two things: run {run_number(by_number)}, of the part with the tag {tag!r}, and the tag of "
            f"a part whose latest run is {run_number(by_tag)}.",
            hint=f"Say which: run:{wanted} or tag:{wanted}",
        )
    return by_tag if by_number is None else by_number


def _numbered(connection: sa.Connection, text: str) -> int | None:
    """The run of a number, with or without its leading zeros."""
    if not (text.isascii() and text.isdigit() and len(text) < 18):
        return None
    c = tables.runs.c
    return connection.execute(sa.select(c.id).where(c.id == int(text))).scalar()


_NAMED = re.compile(rf"([0-9a-f]{{{STORE_FIGURES}}})-(\d{{4,17}})")
_DELIVERED = sa.text(
    "SELECT here FROM delivered JOIN chains ON chains.id = chain "
    "WHERE kind = 'run' AND subject = :number AND substr(origin, 1, :figures) = :store"
)


def _named(connection: sa.Connection, name: str) -> int | None:
    """The run of a name with its store's in it, `RunRecord.own_name`: of this store, or delivered from that one."""
    found = _NAMED.fullmatch(name)
    if found is None:
        return None
    store, number = found[1], int(found[2])
    own = connection.exec_driver_sql("SELECT store FROM identity").scalar()
    if own is not None and own.startswith(store):
        return _numbered(connection, found[2])
    told = {"number": number, "store": store, "figures": STORE_FIGURES}
    return connection.execute(_DELIVERED, told).scalar()


def _latest(connection: sa.Connection, tag: str) -> int | None:
    """The latest run of a tag."""
    c = tables.runs.c
    return connection.execute(sa.select(sa.func.max(c.id)).where(c.tag == tag)).scalar()


def _labelled(connection: sa.Connection, code: LabelCode) -> int | None:
    """The run of a label; the latest of its part when the label is not of this store."""
    number = _named(connection, f"{code.store}-{code.run}") if code.store else _numbered(connection, code.run)
    if number is not None:
        c = tables.runs.c
        tag, digest = connection.execute(sa.select(c.tag, c.end_digest).where(c.id == number)).one()
        if code.means_tag(tag) and digest is not None and digest.startswith(code.digest):
            return number
    tag = tag_of_label(connection, code)
    return None if tag is None else _latest(connection, tag)


def tag_of_label(connection: sa.Connection, code: LabelCode) -> str | None:
    """The tag on a label. One that was too long for the label is looked for among the tags of the store."""
    if code.tag:
        return code.tag
    tags = connection.execute(sa.select(tables.runs.c.tag).distinct()).scalars()
    return next((tag for tag in tags if code.means_tag(tag)), None)


def near_tags(connection: sa.Connection, wanted: str) -> str:
    """Tags that look like the one that was not found, with commas between; empty when none does."""
    c = tables.runs.c
    latest = sa.select(c.tag).order_by(c.id.desc()).limit(NEAR_AMONG)
    tags = {tag.casefold(): tag for tag in dict.fromkeys(connection.execute(latest).scalars())}
    low = wanted.casefold()
    near = [tag for folded, tag in tags.items() if low and low in folded][:3]
    close = [tags[folded] for folded in difflib.get_close_matches(low, tags, n=3, cutoff=0.6)]
    near += [tag for tag in close if tag not in near]
    return ", ".join(tag if len(tag) <= 40 else f"{tag[:39]}…" for tag in near[:4])
