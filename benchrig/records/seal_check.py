"""Holding what stands in the store against its seals: entry by entry, and all that belongs to one run."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import sqlalchemy as sa

from benchrig.records.bench_keys import BenchKeys, key_name, signature_fits
from benchrig.records.database.wording import holds
from benchrig.records.delivery.numbers import SAME, Numbers
from benchrig.records.sealed_content import FIGURES, KINDS, SealedKind, content_of, digest_of
from benchrig.records.seals import WRITTEN_WITH, Entry, chain_title, entries, signed_bytes

__all__ = [
    "SINGLE",
    "Chain",
    "Checker",
    "Fault",
    "How",
    "KeyTold",
    "Seal",
    "SealState",
    "subject_name",
    "told_keys",
    "unsealed_fault",
]

How = Literal["changed", "removed", "added", "swapped", "reordered", "sealed with another key", "not the kept one"]
SealState = Literal["sealed", "going on", "not sealed then", "broken"]
LONGEST = 12
"""So many changed parts are named one by one."""
SINGLE: dict[SealedKind, tuple[str, str]] = {
    "check": ("bench check check-", "checks"),
    "calibration": ("calibration cal-", "calibrations"),
    "withdrawal": ("withdrawal ", "withdrawals"),
    "decision": ("decision ", "decisions"),
}
"""Kind -> how one is named, and its table."""


@dataclass(frozen=True)
class Fault:
    """Something that is not as it was sealed.

    Attributes
    ----------
    what : str
        What it is about, as people say it: ``run 0007``.
    how : str
        In one word what happened to it.
    says : str
        What was found, a sentence without its full stop.
    """

    what: str
    how: How
    says: str


@dataclass(frozen=True)
class Seal:
    """How a run stands with its seal.

    Attributes
    ----------
    state : {"sealed", "going on", "not sealed then", "broken"}
        ``going on``: only its beginning is sealed yet. ``not sealed then``: older than the seals of this store.
    chain : str
        The bench whose chain it is in; empty where there is none.
    number, digest, key : int, str, str
        Of the entry of its end, or of its beginning while it is going on; 0 and empty where there is none.
    faults : tuple of Fault
        What is not as it was sealed; the state is then ``broken``.
    """

    state: SealState
    chain: str = ""
    number: int = 0
    digest: str = ""
    key: str = ""
    faults: tuple[Fault, ...] = ()

    @property
    def head(self) -> str:
        """Number and the first figures of the digest, as ``records verify --head`` takes them."""
        return f"{self.number}:{self.digest[:16]}" if self.number else ""

    def document(self) -> dict[str, Any]:
        """For a program to read."""
        return {
            "state": self.state,
            "bench": self.chain or None,
            "entry": self.number or None,
            "digest": self.digest or None,
            "key": self.key or None,
            "faults": [{"what": each.what, "how": each.how, "says": each.says} for each in self.faults],
        }


@dataclass(frozen=True)
class Chain:
    """One bench's chain, with what is needed to check its entries."""

    bench: str
    simulated: int
    keys: dict[str, str]
    """Name -> public half, as its entries introduce them."""
    known_from: int | None
    """Number of the first entry that introduces a key that is known here."""
    kept: str | None
    """Name of the key that this computer keeps for the bench."""
    origin: str = ""

    @property
    def delivered(self) -> bool:
        """Whether it comes from another store."""
        return bool(self.origin) and not self.origin.startswith(WRITTEN_WITH)

    @property
    def title(self) -> str:
        """Its name, as people say it."""
        return chain_title(self.bench, self.simulated, self.origin)


class KeyTold(NamedTuple):
    """A key of a bench: name, public half, where its file is or would be, whether that is here and open to others."""

    bench: str
    name: str
    public: str
    newest: bool
    file: str
    here: bool
    too_open: bool


def told_keys(connection: sa.Connection, keys: BenchKeys) -> list[KeyTold]:
    """All keys that the chains of a store introduce."""
    found = []
    for chain in Checker(connection, keys).chains.values():
        simulated = bool(chain.simulated)
        path = str(keys.path(chain.bench, simulated=simulated))
        newest = next(reversed(chain.keys), None)
        for name, public in chain.keys.items():
            here = name == chain.kept
            too_open = here and keys.too_open(chain.bench, simulated=simulated)
            found.append(KeyTold(chain.title, name, public, name == newest, path, here, too_open))
    return found


class Checker:
    """Checks entries and what they seal. Each chain's keys are read once.

    Parameters
    ----------
    keys : BenchKeys
        Keys that are kept here are known.
    trusted : iterable of str
        Names or public halves of further keys that are known.
    swaps : bool
        Look through all seals for what a changed part was sealed as elsewhere.
    """

    def __init__(
        self, connection: sa.Connection, keys: BenchKeys, trusted: Iterable[str] = (), *, swaps: bool = True
    ) -> None:
        self._connection = connection
        self._swaps = swaps
        given = {each.strip().lower() for each in trusted}
        self._known = keys.known() | given | {key_name(bytes.fromhex(each)) for each in given if len(each) == 64}
        rows = connection.exec_driver_sql("SELECT id, bench, simulated, origin FROM chains ORDER BY id").all()
        introduced: dict[int, list[Entry]] = {}
        for chain, entry in entries(connection, "kind = 'key'"):
            introduced.setdefault(chain, []).append(entry)
        self.chains: dict[int, Chain] = {}
        for chain, bench, simulated, origin in rows:
            found = introduced.get(chain, [])
            public = {entry.key: str(entry.told().get("public", "")) for entry in found}
            first = next((entry.number for entry in found if entry.key in self._known), None)
            kept = keys.kept(bench, simulated=bool(simulated))
            self.chains[chain] = Chain(bench, simulated, public, first, kept, origin)

    # -- entries

    def entry_faults(self, chain_id: int, entry: Entry) -> list[Fault]:
        """What is wrong with an entry by itself: its digest, its signature, its key."""
        chain = self.chains.get(chain_id)
        what = self.name(chain_id, entry)
        if chain is None:
            return [Fault(what, "removed", "the chain that it belongs to is gone")]
        if entry.right_digest(chain.bench, chain.simulated) != entry.digest:
            return [Fault(what, "changed", f"{_about(entry)}the entry is not as it was written")]
        public = chain.keys.get(entry.key, "")
        if not public or key_name(_unhex(public)) != entry.key:
            return [Fault(what, "changed", f"{_about(entry)}the key {entry.key} that signed it was never introduced")]
        if not signature_fits(public, entry.signature, signed_bytes(entry.digest)):
            return [Fault(what, "changed", f"{_about(entry)}the signature does not fit: it was not made with the key")]
        if entry.key not in self._known and chain.known_from is not None and entry.number > chain.known_from:
            says = f"{_about(entry)}sealed with the key {entry.key}, which is not the bench's"
            return [Fault(what, "sealed with another key", says)]
        return []

    def key_faults(self, chain_id: int) -> list[Fault]:
        """Whether a chain was sealed anew as a whole, with a key that is not the one kept here."""
        chain = self.chains[chain_id]
        if chain.origin:
            return _origin_faults(chain)
        if chain.kept is None or chain.kept in chain.keys or not chain.keys:
            return []
        return [
            Fault(
                f"seals of {chain.title}",
                "sealed with another key",
                f"nothing in them is sealed with the key {chain.kept} that this bench has; all of it was sealed anew, "
                "or the key was lost and made anew and nothing was measured since",
            )
        ]

    def name(self, chain_id: int, entry: Entry) -> str:
        """An entry, as people say it."""
        chain = self.chains.get(chain_id)
        return f"entry {entry.number} of the seals" + ("" if chain is None else f" of {chain.title}")

    def strangers(self, chain_id: int) -> list[str]:
        """Names of keys of a chain that are not known here."""
        return [name for name in self.chains[chain_id].keys if name not in self._known]

    # -- what they seal

    def numbers(self, chain_id: int) -> Numbers:
        """The numbers of a chain."""
        chain = self.chains.get(chain_id)
        return Numbers(self._connection, chain_id) if chain is not None and chain.delivered else SAME

    def row(self, chain_id: int, entry: Entry) -> int:
        """The number here of what an entry seals; that which was sealed where it is not there."""
        here = self.numbers(chain_id).here(entry.kind, entry.subject)
        return entry.subject if here is None else here

    def content_faults(self, chain_id: int, entry: Entry) -> list[Fault]:
        """Whether what an entry seals still stands as it was."""
        if entry.kind == "key" or entry.kind == "store":
            if digest_of(entry.told()) == entry.content:
                return []
            return [Fault(f"the {entry.kind} of entry {entry.number}", "changed", "it is not as it was sealed")]
        if entry.kind not in KINDS:
            return []  # told of the entry itself
        numbers = self.numbers(chain_id)
        what = subject_name(entry.kind, self.row(chain_id, entry))
        if not numbers.same:
            what = f"{what} (sealed as {entry.subject:04d} of {self.chains[chain_id].title})"
        content = content_of(self._connection, entry.kind, entry.subject, numbers)
        if entry.kind == "run" and not numbers.same:
            rows = content.rows if content is not None else ""  # those of its end are kept
        else:
            rows = numbers.rows(entry.kind, entry.subject, entry.rows)
        if content is None:
            return [Fault(what, "removed", f"it was sealed at {entry.at} and is not in the store any more")]
        if content.digest == entry.content and content.rows == rows:
            return []
        sealed = {str(name): str(digest) for name, digest in entry.told().items()}
        now = {name: digest[:FIGURES] for name, digest in content.parts.items()}
        if entry.kind == "run":
            return [Fault(what, "changed", "something in its beginning is not as it was sealed")]
        return self._differences(what, (chain_id, entry), entry.kind, sealed, now)

    def _differences(
        self, what: str, at: tuple[int, Entry], kind: SealedKind, sealed: dict[str, str], now: dict[str, str]
    ) -> list[Fault]:
        _, entry = at
        changed = [name for name, digest in sealed.items() if name in now and now[name] != digest]
        gone = [name for name in sealed if name not in now]
        more = [name for name in now if name not in sealed]
        faults = []
        telling = [name for name in changed if self._swaps and _telling(name)]
        others = {name: self._sealed_elsewhere(kind, entry.subject, name, now[name]) for name in telling}
        swapped = {name: other for name, other in others.items() if other is not None}
        if len(swapped) == len(telling) > (2 if kind == "run end" else 0) and len(set(swapped.values())) == 1:
            return [Fault(what, "swapped", f"what stands in its place was sealed as {swapped.popitem()[1]}")]
        for name, other in swapped.items():
            faults.append(Fault(what, "swapped", f"{self._part(at, name)}: those of {other}"))
        plain = [self._part(at, name) for name in changed if name not in swapped]
        if plain:
            shown = "; ".join(plain[:LONGEST]) + (f" and {len(plain) - LONGEST} more" if len(plain) > LONGEST else "")
            faults.append(Fault(what, "changed", f"not as it was sealed: {shown}"))
        if gone:
            faults.append(Fault(what, "removed", f"taken away: {'; '.join(gone)}"))
        if more:
            faults.append(Fault(what, "added", f"put in: {'; '.join(self._part(at, name) for name in more)}"))
        if not faults:
            faults.append(Fault(what, "changed", "the numbers of its rows in the database are not as they were"))
        return faults

    def _sealed_elsewhere(self, kind: SealedKind, own: int, part: str, digest: str) -> str | None:
        """What was sealed with that very part, where it was another one of the same kind."""
        query = sa.text(
            "SELECT subject FROM seals WHERE kind = :kind AND subject <> :own "
            f"AND {holds(self._connection, 'says', ':part')} LIMIT 1"
        )
        told = f'"{part}":"{digest}"'
        found = self._connection.execute(query, {"kind": kind, "own": own, "part": told}).scalar()
        return None if found is None else subject_name(kind, int(found))

    def _part(self, at: tuple[int, Entry], name: str) -> str:
        """A part with the name of its step, where it is of one."""
        _, entry = at
        place = name.rpartition("step ")[2]
        if entry.kind != "run end" or "step " not in name or not place.isdigit():
            return name
        query = sa.text("SELECT name FROM steps WHERE run_id = :run ORDER BY position, id LIMIT 1 OFFSET :skip")
        step = self._connection.execute(query, {"run": self.row(*at), "skip": int(place) - 1}).scalar()
        return name if step is None else f"{name} ({step})"


def subject_name(kind: SealedKind, number: int) -> str:
    """What was sealed, as people say it."""
    return f"{SINGLE[kind][0]}{number:04d}" if kind in SINGLE else f"run {number:04d}"


def unsealed_fault(kind: SealedKind, number: int) -> Fault:
    """What to say of something that has no seal although sealing had begun."""
    return Fault(subject_name(kind, number), "added", "it has no seal: put in by hand, or its seal was taken away")


def _about(entry: Entry) -> str:
    if entry.kind == "key" or entry.kind == "store":
        return ""
    return f"({subject_name(entry.kind, entry.subject)}) "


def _telling(part: str) -> bool:
    """Whether two records never hold that part alike by chance."""
    return part.startswith(("values of", "traces of", "step ")) or part in ("verdict", "what was found")


def _origin_faults(chain: Chain) -> list[Fault]:
    """Whether a chain that somebody wrote into a store on a server has his key and no other."""
    if chain.delivered or list(chain.keys) == [chain.origin.removeprefix(WRITTEN_WITH)]:
        return []
    says = f"it was begun with the {chain.origin}, and others are introduced: {', '.join(chain.keys) or 'none'}"
    return [Fault(f"seals of {chain.title}", "sealed with another key", says)]


def _unhex(figures: str) -> bytes:
    try:
        return bytes.fromhex(figures)
    except ValueError:
        return b""
