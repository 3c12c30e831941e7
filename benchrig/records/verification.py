"""Holding a whole store against its seals, and naming what was changed, removed, swapped or reordered in it."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import sqlalchemy as sa

from benchrig.errors import ConfigError
from benchrig.records import tables
from benchrig.records.archive.archived_arrays import MARK
from benchrig.records.bench_keys import BenchKeys
from benchrig.records.database.append_only import broken_rules
from benchrig.records.delivery.numbers import WRITTEN_HERE
from benchrig.records.run_record import RunRecord
from benchrig.records.run_seal import archived_faults, head_faults, not_sealed_faults
from benchrig.records.seal_check import SINGLE, Chain, Checker, Fault, unsealed_fault
from benchrig.records.sealed_content import SealedKind
from benchrig.records.seals import SEALED_SINCE, Entry, chain_title, entries, heads

__all__ = ["ChainChecked", "KeptHead", "StoreChecked", "read_head", "verify_store"]

SHORTEST_HEAD = 8
MOST_NUMBERS = 100_000
"""Among so many places the one is looked for that an entry was taken from."""
_NUMBERED: dict[SealedKind, str] = {"run": "runs", **{kind: table for kind, (_, table) in SINGLE.items()}}


class KeptHead(NamedTuple):
    """A head that somebody kept: the number of an entry and the beginning of its digest."""

    number: int
    digest: str


def read_head(typed: str) -> KeptHead:
    """Read a head as it is printed, ``42:9f3c5a17e2b04d68`` or with more figures.

    Raises
    ------
    ConfigError
        It is none.

    Examples
    --------
    >>> read_head("42:9F3C5A17")
    KeptHead(number=42, digest='9f3c5a17')
    """
    found = re.fullmatch(rf"\s*(\d{{1,17}}):([0-9a-fA-F]{{{SHORTEST_HEAD},64}})\s*", typed)
    if found is None:
        raise ConfigError(
            f"{typed!r} is no head of the seals.",
            hint=f"It looks like 42:9f3c5a17e2b04d68: a number, a colon, at least {SHORTEST_HEAD} figures. Pages and "
            "labels carry it, 'benchrig records head' prints it.",
        )
    return KeptHead(int(found[1]), found[2].lower())


@dataclass(frozen=True)
class ChainChecked:
    """One chain: its name, how many entries, its head, its keys, and which of these are not known here."""

    title: str
    entries: int
    head: KeptHead | None
    keys: tuple[str, ...]
    strangers: tuple[str, ...]


@dataclass
class StoreChecked:
    """What was found.

    Attributes
    ----------
    faults : list of Fault
        What is not as it was sealed.
    remarks : list of str
        What the reader should know.
    counts : dict
        How many of each kind were held against a seal, and of how many runs there is none because they are older.
    """

    chains: list[ChainChecked] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)


def verify_store(
    connection: sa.Connection,
    keys: BenchKeys,
    behind: dict[str, list[Any]],
    read: Callable[[int], RunRecord],
    *,
    kept: Iterable[KeptHead] = (),
    trusted: Iterable[str] = (),
) -> StoreChecked:
    """Check every entry of every chain, all that they seal, and that nothing stands there without a seal.

    Parameters
    ----------
    behind : dict
        The heads by the file beside the store (`identity.heads_beside`).
    read : callable
        Reads a run with its traces: those that are older than the seals are held against their digests.
    kept : iterable of KeptHead
        Heads that were kept elsewhere; each has to be an entry of some chain.
    trusted : iterable of str
        Names or public halves of keys that are known from elsewhere.
    """
    checker = Checker(connection, keys, trusted)
    found = StoreChecked()
    found.faults += _file(connection)
    found.faults += _rules(connection)
    for chain_id in checker.chains:
        found.faults += _chain(connection, checker, chain_id, found)
    titles = Counter(chain_title(chain.bench, chain.simulated) for chain in checker.chains.values())
    found.remarks += [
        f"{count} computers have sealed as {title}: do two benches go by one name? Their runs are kept apart; give "
        "each bench file a name of its own."
        for title, count in titles.items()
        if count > 1
    ]
    for more in (
        _unsealed(connection),
        _orphans(connection),
        _identity(connection),
        _origins(connection, checker),
        head_faults(connection, checker, behind),
        _kept(connection, kept),
        _not_ended(connection, read),
        _older(connection, read, found),
        _archived(connection, read, found),
    ):
        found.faults += more
    found.faults = list(dict.fromkeys(found.faults))
    return found


def _chain(connection: sa.Connection, checker: Checker, chain_id: int, found: StoreChecked) -> Iterator[Fault]:
    chain = checker.chains[chain_id]
    yield from checker.key_faults(chain_id)
    before: Entry | None = None
    count = 0
    highest = max((head.number for head in heads(connection)), default=0)
    ended: set[int] = set()
    begun: dict[int, Entry] = {}
    for _, entry in entries(connection, "chain = :chain", chain=chain_id):
        count += 1
        faults = checker.entry_faults(chain_id, entry)
        written = _written_as(chain, entry, highest) if any(each.how == "changed" for each in faults) else None
        if written is not None:
            yield Fault(checker.name(chain_id, entry), "reordered", f"it was written as entry {written}")
        else:
            yield from faults
            yield from _place(checker, chain_id, entry, before)
        if entry.kind == "run":
            begun[entry.subject] = entry
        else:
            yield from checker.content_faults(chain_id, entry)
            if entry.kind == "run end":
                ended.add(entry.subject)
                begun.pop(entry.subject, None)
        found.counts[entry.kind] = found.counts.get(entry.kind, 0) + 1
        before = entry
    running = sa.text("SELECT ending FROM runs WHERE id = :id")
    for entry in begun.values():
        yield from checker.content_faults(chain_id, entry)
        here = checker.row(chain_id, entry)
        if connection.execute(running, {"id": here}).scalar() not in ("running", None):
            yield Fault(f"run {here:04d}", "removed", "the seal of its end is missing")
    head = None if before is None else KeptHead(before.number, before.digest)
    strangers = tuple(checker.strangers(chain_id))
    found.chains.append(ChainChecked(chain.title, count, head, tuple(chain.keys), strangers))
    for name in strangers:
        found.remarks.append(
            f"The key {name} of {chain.title} is not on this computer: nobody here can say that it is the bench's. "
            "Compare it with the one that 'benchrig records key' printed there, and give it by --key."
        )
    if len(chain.keys) > 1:
        found.remarks.append(f"{chain.title} has sealed with {len(chain.keys)} keys: {', '.join(chain.keys)}.")


def _written_as(chain: Chain, entry: Entry, highest: int) -> int | None:
    """The number that an entry was written with, where all else of it is as it was."""
    for number in range(1, min(highest, MOST_NUMBERS) + 1):
        if entry._replace(number=number).right_digest(chain.bench, chain.simulated) == entry.digest:
            return number
    return None


def _place(checker: Checker, chain_id: int, entry: Entry, before: Entry | None) -> Iterator[Fault]:
    """Whether an entry stands where it was written."""
    number = 0 if before is None else before.number
    if entry.number != number + 1:
        gone = f"entry {number + 1}" if entry.number == number + 2 else f"entries {number + 1} to {entry.number - 1}"
        yield Fault(f"seals of {checker.chains[chain_id].title}", "removed", f"{gone} missing")
    elif entry.before != ("" if before is None else before.digest):
        says = "the entry before it is not the one that it was written after"
        yield Fault(checker.name(chain_id, entry), "reordered", says)


def _file(connection: sa.Connection) -> Iterator[Fault]:
    """Whether the database is whole in itself: rows that an index leaves out are found by nobody."""
    if connection.dialect.name != "sqlite":
        return
    for said in connection.exec_driver_sql("PRAGMA integrity_check(5)").scalars():
        if said != "ok":
            yield Fault("the database file", "changed", str(said))


def _rules(connection: sa.Connection) -> Iterator[Fault]:
    """Whether the database still forbids to change what is only ever added."""
    gone, others = broken_rules(connection, tables.APPEND_ONLY)
    for name, table in gone:
        yield Fault(f"the database's rule {name}", "removed", f"that {table} are only ever added to")
    for name in others:
        yield Fault(f"the trigger {name}", "added", "no part of a store: put in by another program")


_OWN = f"chain IN (SELECT id FROM chains WHERE {WRITTEN_HERE})"


def _unsealed(connection: sa.Connection) -> Iterator[Fault]:
    """What stands there without a seal although sealing had begun, and runs of which nothing stands there any more."""
    for kind, table in _NUMBERED.items():
        since = connection.exec_driver_sql(f'SELECT "{kind}" FROM sealed_since').scalar() or 0
        query = sa.text(
            f"SELECT id FROM {table} WHERE id > :since AND NOT EXISTS "
            f"(SELECT 1 FROM seals WHERE kind = :kind AND subject = {table}.id AND {_OWN}) AND NOT EXISTS "
            "(SELECT 1 FROM delivered JOIN seals USING (chain, kind, subject) "
            f"WHERE kind = :kind AND here = {table}.id) ORDER BY id"
        )
        for subject in connection.execute(query, {"since": since, "kind": kind}).scalars():
            yield unsealed_fault(kind, subject)


_PARENTS = (
    ("steps", "run_id", "runs"),
    ("rests_on", "run_id", "runs"),
    ("rests_on", "check_id", "checks"),
    ("rests_on", "calibration_id", "calibrations"),
    ("decisions", "run_id", "runs"),
    ("withdrawals", "calibration_id", "calibrations"),
    ("characteristics", "step_id", "steps"),
    ("traces", "step_id", "steps"),
    ("seals", "chain", "chains"),
    ("delivered", "chain", "chains"),
)


def _orphans(connection: sa.Connection) -> Iterator[Fault]:
    """Rows that belong to something that is not there."""
    for table, column, parent in _PARENTS:
        query = (
            f"SELECT count(*), min({column}) FROM {table} WHERE {column} IS NOT NULL "
            f"AND NOT EXISTS (SELECT 1 FROM {parent} WHERE id = {table}.{column})"
        )
        count, first = connection.exec_driver_sql(query).one()
        if count:
            says = f"{count} rows of {parent} that are not there, the first of number {first}"
            yield Fault(f"table {table}", "removed", says)


def _identity(connection: sa.Connection) -> Iterator[Fault]:
    """Whether the store's identity, and what it says of its numbers and of when sealing began, are as they were."""
    own = connection.exec_driver_sql('SELECT store, made, run, "check", calibration, digest FROM identity').first()
    since = connection.exec_driver_sql(SEALED_SINCE).first()
    for what, row in (("the store's identity", own), ("what is said of when sealing began", since)):
        if row is None:
            yield Fault(what, "removed", "its row is missing")
    if own is None or since is None:
        return
    last: dict[int, dict[str, Any]] = {}
    firsts: list[list[int]] = []
    lost: dict[int, set[int]] = {0: set(), 1: set(), 2: set()}
    highest = list(since[:3])
    for chain, entry in entries(connection, f"kind IN ('key', 'store') AND {_OWN}"):
        last[chain] = entry.told()
        if last[chain].get("not_sealed_then") != list(since):
            yield Fault("what is said of when sealing began", "changed", "the seals say otherwise")
        numbers = last[chain].get("numbers", [0, 0, 0])
        highest = [max(pair) for pair in zip(highest, numbers, strict=True)]
        if entry.number == 1:
            firsts.append(numbers)
        elif entry.kind == "store":
            for place, number in enumerate(numbers):
                lost[place].add(number)
    for place in lost:  # where the first chain of the store began, numbers up to there were of a store that was lost
        lost[place].add(min((each[place] for each in firsts), default=0))
    if any((told.get("store"), told.get("made")) != (own.store, own.made) for told in last.values()):
        yield Fault("the store's identity", "changed", "the seals are of a store with another one")
    kinds: tuple[SealedKind, ...] = ("run", "check", "calibration")
    for place, kind in enumerate(kinds):
        query = sa.text(
            f"SELECT subject FROM seals WHERE kind = :kind AND subject > :since AND {_OWN} UNION "
            "SELECT here FROM delivered WHERE kind = :kind AND here > :since ORDER BY 1"
        )
        sealed = connection.execute(query, {"kind": kind, "since": since[place]}).scalars().all()
        highest[place] = max(highest[place], *sealed, 0)
        if own[2 + place] != highest[place]:
            says = f"it says that the last {kind} had the number {own[2 + place]}; by the seals it is {highest[place]}"
            yield Fault("the store's identity", "changed", says)
        # Numbers go up by one, but for those of a store that was lost.
        before = since[place]
        for number in sealed:
            if number != before + 1 and number - 1 not in lost[place]:
                named = f"{before + 1:04d}" if number == before + 2 else f"{before + 1:04d} to {number - 1:04d}"
                yield Fault(f"{kind} {named}", "removed", "its number was given out, and there is no seal of it")
            before = number
    start = connection.execute(sa.text("SELECT start_digest FROM runs WHERE id = :id"), {"id": own.run}).scalar()
    if start is not None and start != own.digest:
        yield Fault("the store's identity", "changed", f"its digest is not that of run {own.run:04d}")


def _origins(connection: sa.Connection, checker: Checker) -> Iterator[Fault]:
    """Whether chains that were delivered say of themselves that they are of the store that they are kept as."""
    for chain, entry in entries(connection, f"kind = 'key' AND number = 1 AND NOT {_OWN}"):
        of = checker.chains.get(chain)
        if of is not None and entry.told().get("store") != of.origin:
            yield Fault(f"seals of {of.title}", "changed", "they are of another store than the one that is said")


def _not_ended(connection: sa.Connection, read: Callable[[int], RunRecord]) -> Iterator[Fault]:
    """Steps of runs that were cut off, or are going on: until their end is sealed only their digests hold them."""
    query = "SELECT id FROM runs WHERE ending <> 'finished' AND id > (SELECT run FROM sealed_since) ORDER BY id"
    for run_id in connection.exec_driver_sql(query).scalars().all():
        try:
            for says in read(run_id).digest_faults():
                yield Fault(f"run {run_id:04d}", "changed", says)
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            yield Fault(f"run {run_id:04d}", "changed", f"it cannot be read: {error}")


def _older(connection: sa.Connection, read: Callable[[int], RunRecord], found: StoreChecked) -> Iterator[Fault]:
    """Runs, checks and calibrations that are older than the seals: held against digests that anybody can make."""
    query = "SELECT id FROM runs WHERE id <= (SELECT run FROM sealed_since) ORDER BY id"
    for run_id in connection.exec_driver_sql(query).scalars().all():
        found.counts["not sealed then"] = found.counts.get("not sealed then", 0) + 1
        try:
            yield from not_sealed_faults(connection, read(run_id))
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            yield Fault(f"run {run_id:04d}", "changed", f"it cannot be read: {error}")
    for kind in ("check", "calibration"):
        name, table = SINGLE[kind]
        query = f'SELECT id, content, digest FROM {table} WHERE id <= (SELECT "{kind}" FROM sealed_since) ORDER BY id'
        for number, content, digest in connection.exec_driver_sql(query):
            if hashlib.sha256(content.encode()).hexdigest() != digest:
                yield Fault(f"{name}{number:04d}", "changed", "what was found does not fit its digest")


def _archived(connection: sa.Connection, read: Callable[[int], RunRecord], found: StoreChecked) -> Iterator[Fault]:
    """Traces in archive files: held against the digests of their steps. A file that is not here is said, no fault."""
    query = sa.text(
        "SELECT DISTINCT run_id FROM steps JOIN traces ON traces.step_id = steps.id "
        "WHERE substr(traces.arrays, 1, :length) = :mark ORDER BY run_id"
    )
    missing: dict[tuple[str, str], int] = {}
    for run_id in connection.execute(query, {"length": len(MARK), "mark": MARK}).scalars().all():
        try:
            record = read(run_id)
        except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
            yield Fault(f"run {run_id:04d}", "changed", f"it cannot be read: {error}")
            continue
        if record.away is not None and record.away.missing:
            key = (record.away.file, record.away.missing)
            missing[key] = missing.get(key, 0) + 1
        elif record.away is not None and record.away.damaged:
            yield Fault(f"run {run_id:04d}", "changed", record.away.why_not)
        else:
            found.counts["in archive files"] = found.counts.get("in archive files", 0) + 1
            yield from archived_faults(record)
    for (file, why), runs in missing.items():
        found.remarks.append(f"The archive file {file} was not looked at, {why}: it holds the traces of {runs} runs.")


def _kept(connection: sa.Connection, kept: Iterable[KeptHead]) -> Iterator[Fault]:
    for head in kept:
        query = sa.text("SELECT digest FROM seals WHERE number = :number")
        digests = connection.execute(query, {"number": head.number}).scalars().all()
        if any(digest.startswith(head.digest) for digest in digests):
            continue
        if digests:
            says = "the entry of that number is another one: what is sealed was made anew"
        else:
            furthest = max((each.number for each in heads(connection)), default=0)
            says = f"no chain comes that far (the longest has {furthest} entries): the last entries were taken away"
        yield Fault(f"the kept head {head.number}:{head.digest[:16]}", "not the kept one", says)
