"""The seals of a store: for each bench a chain of entries, each naming the one before it and signed by the bench's key.

A run has two entries, one as it begins and one as it ends, in whatever way; a bench check, a calibration, a withdrawal
and a decision have one. The first entry of a chain, and the first after a change of the key, introduces the key.
Whoever knows the number and the digest of an entry (`Head`) can tell later that all up to it still stands.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import Any, Literal, NamedTuple

import sqlalchemy as sa

from benchrig.records import serialization
from benchrig.records.bench_keys import BenchKeys, Signer
from benchrig.records.sealed_content import SealedKind, content_of, digest_of, short_parts

__all__ = [
    "SEALED_SINCE",
    "STORE_FIGURES",
    "WRITTEN_WITH",
    "ChainHead",
    "Entry",
    "SealKind",
    "chain_title",
    "entries",
    "heads",
    "identity_says",
    "seal",
    "seal_new_identity",
    "signed_bytes",
]

SealKind = Literal["key", "store"] | SealedKind
FORMAT = 1
SEALED_SINCE = 'SELECT run, "check", calibration, withdrawal, decision FROM sealed_since'
WRITTEN_WITH = "key "
"""So begins the origin of a chain that somebody wrote into a store on a server; the name of his key follows."""
STORE_FIGURES = 8
"""So many figures of a store's identity tell it from others."""
_LONGEST_TITLE = 60
_NUMBERED = ("run", "check", "calibration")
"""What has numbers that the store's identity keeps, in their order there."""


def chain_title(bench: str, simulated: int | bool, origin: str = "") -> str:
    """A chain's name, as people say it; one that was delivered says from which store."""
    short = bench if len(bench) <= _LONGEST_TITLE else f"{bench[: _LONGEST_TITLE - 1]}…"
    short = f"{short} (simulated)" if simulated else short
    return short if not origin or origin.startswith(WRITTEN_WITH) else f"{short} of store {origin[:STORE_FIGURES]}"


class Entry(NamedTuple):
    """One entry of a chain, as it stands in the store.

    Attributes
    ----------
    number : int
        Its place in the chain, from 1.
    kind, subject : str, int
        What was sealed, and its number in the store; 0 where the kind says all.
    at : str
        When, ISO 8601 in UTC.
    says : str
        JSON: of a key the public half and the store's identity; of a run's end the beginnings of its parts' digests.
    content, rows : str
        Digests of what was sealed (`sealed_content.Content`).
    before : str
        Digest of the entry before it; empty for the first.
    key : str
        Name of the key.
    digest, signature : str
        Digest of all these, and the key's signature over it.
    """

    number: int
    kind: SealKind
    subject: int
    at: str
    says: str
    content: str
    rows: str
    before: str
    key: str
    digest: str
    signature: str

    def told(self) -> dict[str, Any]:
        """What `says` holds; empty when it is not JSON any more."""
        try:
            told = json.loads(self.says)
        except (ValueError, RecursionError):
            return {}
        return told if isinstance(told, dict) else {}

    def right_digest(self, bench: str, simulated: int) -> str:
        """The digest that the entry should have by all else that stands in it and in its chain's name."""
        told = self._asdict()
        del told["digest"], told["signature"]
        return digest_of({"format": FORMAT, "bench": bench, "simulated": int(simulated), **told})


class ChainHead(NamedTuple):
    """How far a chain has come."""

    bench: str
    simulated: int
    number: int
    digest: str
    origin: str = ""

    @property
    def title(self) -> str:
        """The chain's name, as people say it."""
        return chain_title(self.bench, self.simulated, self.origin)


_COLUMNS = ", ".join(Entry._fields)
# Plain text, where the library would build a statement each time: this is a good part of what a run costs.
_LAST = sa.text(
    "SELECT id, number, digest, key FROM chains LEFT JOIN seals ON seals.chain = chains.id "
    "AND seals.number = (SELECT max(latest.number) FROM seals AS latest WHERE latest.chain = chains.id) "
    "WHERE bench = :bench AND simulated = :simulated AND origin = :origin"
)
_NEW_CHAIN = sa.text("INSERT INTO chains (bench, simulated, origin) VALUES (:bench, :simulated, :origin)")
_NEW_SEAL = sa.text(
    f"INSERT INTO seals (chain, {_COLUMNS}) VALUES (:chain, {', '.join(f':{name}' for name in Entry._fields)})"
)
_HEADS = """
SELECT bench, simulated, number, digest, origin FROM chains JOIN seals ON seals.chain = chains.id
WHERE number = (SELECT max(number) FROM seals WHERE chain = chains.id) ORDER BY chains.id
"""


def signed_bytes(digest: str) -> bytes:
    """What is signed: the entry's digest, with a word before it so that the signature can mean nothing else."""
    return f"benchrig seal {FORMAT} {digest}".encode()


def entries(connection: sa.Connection, where: str, **values: Any) -> Iterator[tuple[int, Entry]]:
    """Entries with the numbers of their chains, by a condition in SQL, in the order of both."""
    query = sa.text(f"SELECT chain, {_COLUMNS} FROM seals WHERE {where} ORDER BY chain, number")
    for chain, *row in connection.execute(query, values).yield_per(1000):
        yield chain, Entry(*row)


def heads(connection: sa.Connection) -> list[ChainHead]:
    """The last entry of each chain."""
    return [ChainHead(*row) for row in connection.exec_driver_sql(_HEADS)]


def identity_says(connection: sa.Connection) -> dict[str, Any]:
    """What the first entry of a chain says of its store: who it is, its numbers, and up to where nothing was sealed."""
    own = connection.exec_driver_sql('SELECT store, made, run, "check", calibration FROM identity').one()
    since = connection.exec_driver_sql(SEALED_SINCE).one()
    return {
        "store": own.store,
        "made": own.made,
        "numbers": [own.run, own.check, own.calibration],
        "not_sealed_then": list(since),
    }


def seal(
    connection: sa.Connection,
    keys: BenchKeys,
    bench: tuple[str, bool],
    kind: SealedKind,
    subject: int,
    at: datetime,
) -> None:
    """Seal what was just written, inside the transaction that writes it. See `bench_keys` for what may be raised."""
    content = content_of(connection, kind, subject)
    if content is None:
        raise ValueError(f"there is no {kind} {subject} to seal")
    says = short_parts(content) if kind != "run" else {}
    _append(connection, keys, bench, kind, subject, at, says, content.digest, content.rows)


def seal_new_identity(connection: sa.Connection, keys: BenchKeys, at: datetime) -> None:
    """Say in each chain that the store goes by another identity from here on: `store_replacement`."""
    says = identity_says(connection)
    own = "SELECT bench, simulated FROM chains WHERE origin = '' ORDER BY id"
    for bench, simulated in connection.exec_driver_sql(own).all():
        _append(connection, keys, (bench, bool(simulated)), "store", 0, at, says, digest_of(says), "")


def _append(
    connection: sa.Connection,
    keys: BenchKeys,
    bench: tuple[str, bool],
    kind: SealKind,
    subject: int,
    at: datetime,
    says: Mapping[str, Any],
    content: str,
    rows: str,
) -> None:
    named = (serialization.text(bench[0]), int(bench[1]))
    signer = keys.signer(named[0], simulated=bool(named[1]))
    origin = "" if connection.dialect.name == "sqlite" else f"{WRITTEN_WITH}{signer.name}"
    chain, place = _place(connection, *named, origin)
    if place.key != signer.name:
        introduced = {"public": signer.public, **identity_says(connection)}
        if kind in _NUMBERED:  # its own number was given out just now
            introduced["numbers"][_NUMBERED.index(kind)] = subject - 1
        first = _signed(named, signer, place, "key", 0, at, introduced, digest_of(introduced), "")
        connection.execute(_NEW_SEAL, {"chain": chain, **first._asdict()})
        place = _Place(first.number, first.digest, first.key)
    entry = _signed(named, signer, place, kind, subject, at, says, content, rows)
    connection.execute(_NEW_SEAL, {"chain": chain, **entry._asdict()})


class _Place(NamedTuple):
    """Where a chain has come to: number, digest and key of its last entry."""

    number: int
    digest: str
    key: str


def _place(connection: sa.Connection, bench: str, simulated: int, origin: str) -> tuple[int, _Place]:
    """A chain's number in the store, and where it has come to; it is begun where there is none."""
    named = {"bench": bench, "simulated": simulated, "origin": origin}
    found = connection.execute(_LAST, named).first()
    if found is None:
        connection.execute(_NEW_CHAIN, named)
        found = connection.execute(_LAST, named).one()
    chain, *last = found
    return int(chain), _Place(0, "", "") if last[0] is None else _Place(*last)


def _signed(
    bench: tuple[str, int],
    signer: Signer,
    last: _Place,
    kind: SealKind,
    subject: int,
    at: datetime,
    says: Mapping[str, Any],
    content: str,
    rows: str,
) -> Entry:
    entry = Entry(
        number=last.number + 1,
        kind=kind,
        subject=subject,
        at=at.astimezone(UTC).isoformat(timespec="microseconds"),
        says=serialization.canonical(says),
        content=content,
        rows=rows,
        before=last.digest,
        key=signer.name,
        digest="",
        signature="",
    )
    digest = entry.right_digest(*bench)
    return entry._replace(digest=digest, signature=signer.sign(signed_bytes(digest)))
