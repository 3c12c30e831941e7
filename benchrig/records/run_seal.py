"""How one run stands with its seals: all that a page of it shows, what was decided since, and what it rests on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from benchrig.records import serialization
from benchrig.records.bench_keys import BenchKeys
from benchrig.records.database.wording import holds
from benchrig.records.delivery.numbers import WRITTEN_HERE, recorded_as
from benchrig.records.identity import chain_key
from benchrig.records.seal_check import Checker, Fault, Seal, SealState, subject_name, unsealed_fault
from benchrig.records.sealed_content import FIGURES, SealedKind, digest_of
from benchrig.records.seals import Entry, entries

if TYPE_CHECKING:
    from benchrig.records.run_record import RunRecord

__all__ = ["archived_faults", "head_faults", "not_sealed_faults", "seal_of_run", "taken_away"]


def seal_of_run(connection: sa.Connection, keys: BenchKeys, run_id: int, behind: dict[str, list[Any]]) -> Seal:
    """How one run stands with its seal, with the decisions about it and what it rests on.

    Parameters
    ----------
    behind : dict
        The heads by the file beside the store (`identity.heads_beside`).
    """
    checker = Checker(connection, keys, swaps=False)  # `verify` does: it would read all seals for one run
    found = list(entries_of(connection, ("run", "run end"), run_id))
    since = connection.exec_driver_sql("SELECT run FROM sealed_since").scalar() or 0
    faults: list[Fault] = []
    ending = connection.execute(sa.text("SELECT ending FROM runs WHERE id = :id"), {"id": run_id}).scalar()
    kinds = [entry.kind for _, entry in found]
    what = subject_name("run", run_id)
    if run_id > since:
        if kinds.count("run") != 1:
            faults.append(Fault(what, "removed", "the seal of its beginning is missing"))
        if ending != "running" and kinds.count("run end") != 1:
            faults.append(Fault(what, "removed", "the seal of its end is missing"))
    elif kinds:
        faults.append(Fault("what is said of when sealing began", "changed", f"{what} was sealed"))
    for chain, entry in found:
        faults += checker.entry_faults(chain, entry) + _neighbours(connection, checker, chain, entry, behind)
    # The seal of the end covers all that the one of the beginning does.
    last = [entry for _, entry in found if entry.kind == "run end"] or [entry for _, entry in found]
    for entry in last[:1]:
        faults += checker.content_faults(found[-1][0], entry)
    for chain in dict.fromkeys(chain for chain, _ in found):
        faults += checker.key_faults(chain) if chain in checker.chains else []
    faults += _decisions(connection, checker, run_id)
    faults += _grounds(connection, checker, run_id)
    faults = list(dict.fromkeys(faults))
    if not found:
        return Seal("broken" if faults else "not sealed then", faults=tuple(faults))
    chain, entry = found[-1]
    title = checker.chains[chain].title if chain in checker.chains else ""
    state: SealState = "broken" if faults else "sealed" if entry.kind == "run end" else "going on"
    return Seal(state, title, entry.number, entry.digest, entry.key, tuple(faults))


def _neighbours(
    connection: sa.Connection, checker: Checker, chain: int, entry: Entry, behind: dict[str, list[Any]]
) -> list[Fault]:
    """Whether the entries before and after an entry are those that it was between."""
    where = "chain = :chain AND number IN (:before, :after)"
    near = {
        each.number: each
        for _, each in entries(connection, where, chain=chain, before=entry.number - 1, after=entry.number + 1)
    }
    what = checker.name(chain, entry)
    before, after = near.get(entry.number - 1), near.get(entry.number + 1)
    faults = []
    if entry.number > 1 and (before is None or before.digest != entry.before):
        faults.append(Fault(what, "removed" if before is None else "reordered", "the entry before it is not the one"))
    if after is not None and after.before != entry.digest:
        faults.append(Fault(what, "reordered", "the entry after it was written after another one"))
    return faults + head_faults(connection, checker, behind, only=chain)


def head_faults(
    connection: sa.Connection, checker: Checker, behind: dict[str, list[Any]], only: int | None = None
) -> list[Fault]:
    """Whether each chain still comes as far as the file beside the store says it came."""
    faults = []
    seen = set()
    for chain_id, chain in checker.chains.items():
        key = chain_key(chain.bench, chain.simulated, chain.origin)
        seen.add(key)
        if key not in behind or (only is not None and chain_id != only):
            continue
        number, digest = behind[key]
        query = sa.text("SELECT digest FROM seals WHERE chain = :chain AND number = :number")
        there = connection.execute(query, {"chain": chain_id, "number": number}).scalar()
        if there is None:
            says = f"its last entries are missing: it had come to entry {number} at least"
            faults.append(Fault(f"seals of {chain.title}", "removed", says))
        elif there != digest:
            says = f"entry {number} is not the one that was kept beside the store"
            faults.append(Fault(f"seals of {chain.title}", "not the kept one", says))
    if only is None:
        faults += [Fault(f"seals of {key}", "removed", "all of them are missing") for key in behind if key not in seen]
    return faults


def entries_of(connection: sa.Connection, kinds: tuple[SealedKind, ...], here: int) -> Iterator[tuple[int, Entry]]:
    """The entries of something by its number here, with the numbers of their chains."""
    wanted = ", ".join(f"'{kind}'" for kind in kinds)
    was = recorded_as(connection, kinds[0], here)
    if was is not None:
        where = f"chain = :chain AND kind IN ({wanted}) AND subject = :subject"
        return entries(connection, where, chain=was.chain, subject=was.number)
    own = f"chain IN (SELECT id FROM chains WHERE {WRITTEN_HERE})"
    return entries(connection, f"kind IN ({wanted}) AND subject = :subject AND {own}", subject=here)


def _decisions(connection: sa.Connection, checker: Checker, run_id: int) -> list[Fault]:
    there = sa.text("SELECT id FROM decisions WHERE run_id = :run ORDER BY id")
    sealed = dict.fromkeys(connection.execute(there, {"run": run_id}).scalars(), False)
    faults: list[Fault] = []
    found = {}
    # A decision that was taken away, or given to another run, is found by what its seal says of its run.
    holding = f"kind = 'decision' AND {holds(connection, 'says', ':mark')}"
    was = recorded_as(connection, "run", run_id)
    of = [(f"chain IN (SELECT id FROM chains WHERE {WRITTEN_HERE})", run_id)]
    of += [] if was is None else [(f"chain = {was.chain}", was.number)]
    for chains, number in of:
        mark = f'"run":"{digest_of([number])[:FIGURES]}"'
        found.update(dict.fromkeys(entries(connection, f"{holding} AND {chains}", mark=mark)))
    for decision in sealed:
        found.update(dict.fromkeys(entries_of(connection, ("decision",), decision)))
    for chain, entry in found:
        sealed[checker.row(chain, entry)] = True
        faults += checker.entry_faults(chain, entry) + checker.content_faults(chain, entry)
    return faults + _unsealed(connection, "decision", [each for each, known in sealed.items() if not known])


def _unsealed(connection: sa.Connection, kind: SealedKind, subjects: Iterable[int]) -> list[Fault]:
    since = connection.exec_driver_sql(f'SELECT "{kind}" FROM sealed_since').scalar() or 0
    return [unsealed_fault(kind, each) for each in subjects if each > since]


def _grounds(connection: sa.Connection, checker: Checker, run_id: int) -> list[Fault]:
    """Whether the check and the calibrations that a run rests on stand as they were sealed, and their withdrawals."""
    faults: list[Fault] = []
    rests = connection.execute(
        sa.text("SELECT check_id, calibration_id FROM rests_on WHERE run_id = :r"), {"r": run_id}
    )
    for check, calibration in rests.all():
        wanted: list[tuple[SealedKind, int]] = []
        if check is not None:
            wanted.append(("check", check))
        if calibration is not None:
            wanted.append(("calibration", calibration))
            gone = sa.text("SELECT id FROM withdrawals WHERE calibration_id = :id")
            wanted += [("withdrawal", each) for each in connection.execute(gone, {"id": calibration}).scalars()]
        for kind, subject in wanted:
            found = list(entries_of(connection, (kind,), subject))
            for chain, entry in found:
                faults += checker.entry_faults(chain, entry) + checker.content_faults(chain, entry)
            faults += [] if found else _unsealed(connection, kind, [subject])
    return faults


def not_sealed_faults(connection: sa.Connection, record: RunRecord) -> tuple[Fault, ...]:
    """Hold a run that is older than the seals against its digests, which anybody could have made anew.

    What stands in two places, once covered by a digest and once for looking up, has to be the same.
    """
    what = f"run {record.run}"
    faults = [Fault(what, "changed", says) for says in record.digest_faults()]
    query = sa.text("SELECT verdict, cause, cause_probability, disposition, simulated, bench FROM runs WHERE id = :id")
    row = connection.execute(query, {"id": int(record.run)}).one()
    judgement = record.judgement
    told = (
        (None,) * 4
        if judgement is None
        else (
            judgement.verdict,
            judgement.cause,
            serialization.number(judgement.cause_probability),
            judgement.disposition,
        )
    )
    named = ("verdict", "cause", "probability of the cause", "disposition", "simulated or not", "bench")
    for name, there, said in zip(named, row, (*told, int(record.bench.simulated), record.bench.name), strict=True):
        if there != said:
            faults.append(Fault(what, "changed", f"its {name} stands there as {there} and as {said}"))
    return tuple(faults)


def archived_faults(record: RunRecord) -> tuple[Fault, ...]:
    """Hold the traces that were read from an archive file against the digests of their steps, which are sealed."""
    if record.away is None:
        return ()
    if record.away.damaged:
        return (Fault(f"the archive file {record.away.file}", "changed", record.away.why_not),)
    return tuple(
        Fault(f"run {record.run}", "changed", f"by the archive file {record.away.file}: {says}")
        for says in record.digest_faults()
    )


def taken_away(connection: sa.Connection, wanted: str) -> str | None:
    """What to say of a run whose number was given out and that is not in the store; None for any other name."""
    number = wanted.removeprefix("run:").strip()
    if not (number.isascii() and number.isdigit() and len(number) < 18):
        return None
    run_id = int(number)
    for _, entry in entries_of(connection, ("run", "run end"), run_id):
        return f"Run {run_id:04d} was sealed at {entry.at[:19]}Z and has been taken out of the store"
    given = connection.exec_driver_sql("SELECT run FROM identity").scalar() or 0
    if not 0 < run_id <= given:
        return None
    return f"Run {run_id:04d} is not in the store any more, though its number was given out"
