"""Bringing what a bench recorded in its own store to the one that it shares with others: once, whole, in order.

What goes over is the bench's chain of seals, entry by entry as it stands, each with the rows that it seals. The last
entry that is there says where to go on; an entry's digest is what it is known by, so that nothing needs to be
remembered here, and cut off at any moment nothing is lost or there twice. A run goes over once it has ended, from its
beginning to its end in one transaction.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

import sqlalchemy as sa

from benchrig.errors import BenchError, ConfigError
from benchrig.records import tables
from benchrig.records.database.place import StorePlace
from benchrig.records.delivery.numbers import Numbers
from benchrig.records.head_beside import head_kept
from benchrig.records.identity import chain_key, heads_beside, next_number, note_run
from benchrig.records.seal_check import SINGLE
from benchrig.records.sealed_content import content_of
from benchrig.records.seals import Entry, chain_title, entries
from benchrig.records.store import Store

__all__ = ["Delivered", "Waits", "deliver", "waits"]


@dataclass(frozen=True)
class Delivered:
    """What was brought over just now: entries of the seals, and runs among them."""

    entries: int = 0
    runs: int = 0


class Waits(NamedTuple):
    """What has not been delivered yet, as far as is known here: entries, runs that ended, and runs going on."""

    entries: int
    runs: int
    going_on: int


class _OwnChain(NamedTuple):
    id: int
    bench: str
    simulated: int
    origin: str
    """The identity of the store that it was begun in."""


_Unit = tuple[_OwnChain, list[Entry]]


def deliver(own: Store, shared: Store, tell: Callable[[Delivered], object] = lambda _: None) -> Delivered:
    """Bring over all that waits.

    Parameters
    ----------
    own, shared : Store
        The bench's own store, and the one on a server.
    tell : callable
        Told after each transaction how much has been brought over so far.

    Raises
    ------
    ConfigError
        What was delivered before is not what this store holds: one of both was put back from a backup, or is another.
    BenchError
        The server cannot be written; what was brought over until then is there, the rest waits.
    """
    done = Delivered()
    for chain, unit in _in_order([_units(own, chain, _there(own, shared, chain)) for chain in _own_chains(own)]):
        if _bring_over(own, shared, chain, unit):
            ended = sum(entry.kind == "run end" for entry in unit)
            done = Delivered(done.entries + len(unit), done.runs + ended)
            tell(done)
    return done


def _in_order(chains: list[Iterator[_Unit]]) -> Iterator[_Unit]:
    """The pieces of all chains as they were begun; whatever the clock said, each chain keeps its own order."""
    coming = {place: next(chain, None) for place, chain in enumerate(chains)}
    while True:
        waiting = {place: unit for place, unit in coming.items() if unit is not None}
        if not waiting:
            return
        place = min(waiting, key=lambda each: (waiting[each][1][0].at, each))
        yield waiting[place]
        coming[place] = next(chains[place], None)


def waits(own: Store, shared: StorePlace) -> Waits:
    """What waits, by what is remembered here of the server; it is not asked, and may have more."""
    there = heads_beside(shared.beside)
    found = Waits(0, 0, 0)
    with own.reading() as connection:
        for chain in _chains_in(connection):
            number, _ = there.get(chain_key(chain.bench, chain.simulated, chain.origin), (0, ""))
            query = sa.text(
                "SELECT count(*), coalesce(sum(kind = 'run end'), 0), coalesce(sum(kind = 'run'), 0) "
                "FROM seals WHERE chain = :chain AND number > :number"
            )
            all_of_it, ended, begun = connection.execute(query, {"chain": chain.id, "number": number}).one()
            found = Waits(found.entries + all_of_it, found.runs + ended, found.going_on + max(0, begun - ended))
    return found


def _chains_in(connection: sa.Connection) -> list[_OwnChain]:
    found = []
    for chain, bench, simulated in connection.exec_driver_sql("SELECT id, bench, simulated FROM chains ORDER BY id"):
        first = next((each for _, each in entries(connection, "chain = :chain AND number = 1", chain=chain)), None)
        origin = "" if first is None else str(first.told().get("store", ""))
        if origin:
            found.append(_OwnChain(chain, bench, simulated, origin))
    return found


def _own_chains(own: Store) -> list[_OwnChain]:
    with own.reading() as connection:
        return _chains_in(connection)


_HEAD = sa.text(
    "SELECT id, number, digest FROM chains LEFT JOIN seals ON seals.chain = chains.id "
    "AND seals.number = (SELECT max(latest.number) FROM seals AS latest WHERE latest.chain = chains.id) "
    "WHERE bench = :bench AND simulated = :simulated AND origin = :origin"
)


def _head(connection: sa.Connection, chain: _OwnChain) -> tuple[int | None, int, str]:
    """The number of a chain on the server, and its last entry there."""
    named = {"bench": chain.bench, "simulated": chain.simulated, "origin": chain.origin}
    row = connection.execute(_HEAD, named).first()
    return (None, 0, "") if row is None else (row.id, row.number or 0, row.digest or "")


def _there(own: Store, shared: Store, chain: _OwnChain) -> int:
    """How far a chain has been delivered."""
    with shared.reading() as connection:
        _, number, digest = _head(connection, chain)
    if not number:
        return 0
    with own.reading() as connection:
        where = "chain = :chain AND number = :number"
        same = next((each for _, each in entries(connection, where, chain=chain.id, number=number)), None)
    if same is None or same.digest != digest:
        title = chain_title(chain.bench, chain.simulated)
        how = "does not come that far" if same is None else "has another entry of that number"
        raise ConfigError(
            f"Records {shared.place} holds the seals of {title} up to entry {number}; {own.place} {how}.",
            hint="Was this store put back from an old backup, or copied to a second computer? Nothing was delivered; "
            "what is here is kept. 'benchrig records verify' on both says what each holds.",
        )
    return number


def _units(own: Store, chain: _OwnChain, after: int) -> Iterator[_Unit]:
    """The entries after one, in pieces in which each run that begins also ends. What is going on stays."""
    piece: list[Entry] = []
    open_runs: set[int] = set()
    with own.reading() as connection:
        found = [each for _, each in entries(connection, "chain = :chain AND number > :n", chain=chain.id, n=after)]
    for entry in found:
        piece.append(entry)
        if entry.kind == "run":
            open_runs.add(entry.subject)
        elif entry.kind == "run end":
            open_runs.discard(entry.subject)
        if not open_runs:
            yield chain, piece
            piece = []


def _bring_over(own: Store, shared: Store, chain: _OwnChain, unit: list[Entry]) -> bool:
    """One piece in one transaction; False where another program was quicker."""
    first = unit[0]
    with (
        own.reading() as here,
        head_kept(shared.place.beside) as keep,
        shared.writing("delivery") as there,
    ):
        chain_id, number, digest = _head(there, chain)
        if number >= first.number:
            return False
        if number != first.number - 1 or digest != first.before:
            raise BenchError(
                f"Records {shared.place}: the seals of {chain_title(chain.bench, chain.simulated)} there have changed "
                "while they were delivered.",
                hint="Try again. Is a copy of this store delivering too?",
            )
        if chain_id is None:
            row = {"bench": chain.bench, "simulated": chain.simulated, "origin": chain.origin}
            chain_id = tables.insert_row(there, tables.chains, row)
        copy = _Copy(here, there, chain_id)
        for entry in unit:
            there.execute(sa.insert(tables.seals), {"chain": chain_id, **entry._asdict()})
            if entry.kind == "run":
                copy.run(entry.subject)
            elif entry.kind in SINGLE:
                copy.single(entry)
        copy.compare(unit)
        keep(there)
    return True


class _Copy:
    """Copies what is sealed, column by column as it stands, giving it numbers of the store that it comes into."""

    def __init__(self, here: sa.Connection, there: sa.Connection, chain: int) -> None:
        self._here = here
        self._there = there
        self._chain = chain
        self._numbers = Numbers(there, chain)

    def run(self, number: int) -> None:
        """A run with all that belongs to it."""
        (row,) = self._rows("runs", "id = :id", number)
        given = next_number(self._there, "run")
        self._insert(tables.runs, [{**row, "id": given}])
        note_run(self._there, row["start_digest"])
        steps = self._rows("steps", "run_id = :id ORDER BY position, id", number)
        new_id = {}
        for step in steps:
            old = step.pop("id")
            query = _plain_insert(tables.steps, step, returning=True)
            new_id[old] = self._there.execute(query, {**step, "run_id": given}).scalar_one()
        for table in (tables.characteristics, tables.traces):
            of_run = "step_id IN (SELECT id FROM steps WHERE run_id = :id) ORDER BY step_id, position, id"
            rows = self._rows(table.name, of_run, number)
            self._insert(table, [{**_without_id(each), "step_id": new_id[each["step_id"]]} for each in rows])
        grounds = [
            {
                "run_id": given,
                "check_id": self._given("check", each["check_id"]),
                "calibration_id": self._given("calibration", each["calibration_id"]),
            }
            for each in self._rows("rests_on", "run_id = :id ORDER BY id", number)
        ]
        self._insert(tables.rests_on, grounds)
        content = content_of(self._there, "run end", given)
        self._remember("run", number, given, "" if content is None else content.rows)

    def single(self, entry: Entry) -> None:
        """A check, a calibration, a withdrawal or a decision."""
        _, table = SINGLE[entry.kind]  # type: ignore[index]
        (row,) = self._rows(table, "id = :id", entry.subject)
        row = _without_id(row)
        for column, kind in (("calibration_id", "calibration"), ("run_id", "run")):
            if column in row:
                row[column] = self._given(kind, row[column])
        if entry.kind in ("check", "calibration"):
            given = row["id"] = next_number(self._there, entry.kind)
            self._insert(tables.metadata.tables[table], [row])
        else:
            query = _plain_insert(tables.metadata.tables[table], row, returning=True)
            given = self._there.execute(query, row).scalar_one()
        self._remember(entry.kind, entry.subject, given)

    def compare(self, unit: list[Entry]) -> None:
        """Whether what is there now has the content that it has here."""
        for entry in unit:
            if entry.kind != "run end" and entry.kind not in SINGLE:
                continue
            here = content_of(self._here, entry.kind, entry.subject)
            there = content_of(self._there, entry.kind, entry.subject, self._numbers)
            if here is None or there is None or here.digest != there.digest:
                raise BenchError(
                    f"What was delivered of {entry.kind} {entry.subject:04d} is not what is here.",
                    hint="Nothing of it was kept there. Please report it: the databases keep something differently.",
                )

    def _rows(self, table: str, where: str, number: int) -> list[dict[str, Any]]:
        query = sa.text(f"SELECT * FROM {table} WHERE {where}")
        return [dict(row) for row in self._here.execute(query, {"id": number}).mappings()]

    def _insert(self, table: sa.Table, rows: list[dict[str, Any]]) -> None:
        if rows:
            self._there.execute(_plain_insert(table, rows[0]), rows)

    def _remember(self, kind: str, subject: int, given: int, rows: str = "") -> None:
        row = {"chain": self._chain, "kind": kind, "subject": subject, "here": given, "rows": rows}
        self._there.execute(sa.insert(tables.delivered), row)

    def _given(self, kind: str, number: int | None) -> int | None:
        """The number that something delivered before has there."""
        if number is None:
            return None
        found = self._numbers.here(kind, number)
        if found is None:
            raise BenchError(
                f"What is delivered now belongs to {kind} {number:04d}, which was never sealed in this chain.",
                hint="Is it older than the seals of this store, or of another bench? 'benchrig records verify' says.",
            )
        return found


def _without_id(row: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in row.items() if name != "id"}


def _plain_insert(table: sa.Table, row: dict[str, Any], *, returning: bool = False) -> sa.TextClause:
    """As text: values are written as they stand, and are no objects."""
    names = ", ".join(f'"{name}"' for name in row)
    values = ", ".join(f":{name}" for name in row)
    return sa.text(f"INSERT INTO {table.name} ({names}) VALUES ({values}){' RETURNING id' if returning else ''}")
