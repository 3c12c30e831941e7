"""The store: every run that was recorded, in one SQLite file or on a PostgreSQL server."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import sqlalchemy as sa

from benchrig.bench.traceability import BenchKey
from benchrig.errors import BenchError, ConfigError
from benchrig.records import tables
from benchrig.records.archive.archive_files import archive_beside
from benchrig.records.archive.archiving import Archived, archive_traces
from benchrig.records.bench_keys import keys_beside
from benchrig.records.calibration_store import CalibrationStore
from benchrig.records.cut_off_runs import close_cut_off_runs
from benchrig.records.database.place import StorePlace, place_of
from benchrig.records.database_errors import read_connection, reason_of, unreadable, write_connection
from benchrig.records.decisions import Decision, keep_decision
from benchrig.records.head_beside import head_kept
from benchrig.records.history import CheckValveHistory, check_valve_history
from benchrig.records.identity import heads_beside
from benchrig.records.label_code import read_label_code
from benchrig.records.later import later_than
from benchrig.records.page_signature import check_pages, signed_page, signed_pdf
from benchrig.records.read_only import may_write, open_for_reading
from benchrig.records.recent_runs import RecentRun, recent_runs
from benchrig.records.recorder import Recorder, run_number
from benchrig.records.run_list import ALL_RUNS, RunsWanted, numbers_wanted, summaries
from benchrig.records.run_lookup import find_run, near_tags, tag_of_label
from benchrig.records.run_reading import read_run
from benchrig.records.run_record import RunRecord, RunSummary
from benchrig.records.run_seal import archived_faults, not_sealed_faults, seal_of_run, taken_away
from benchrig.records.schema import open_database
from benchrig.records.seal_check import Fault, KeyTold, Seal, told_keys
from benchrig.records.seals import ChainHead, heads
from benchrig.records.summary import Summary, summarise
from benchrig.records.verification import KeptHead, StoreChecked, verify_store
from benchrig.records.waiting import Waiting

__all__ = ["Store"]

TAKEN_AWAY_HINT = "Restore the store from a backup. 'benchrig records verify' says what else is missing."


class Store:
    """Every run, in one file or on a server.

    Opening it also closes the records of runs that were cut off: marked as running, but nobody holds their lock.

    Parameters
    ----------
    place : Path or StorePlace
        The database file, or the place on a server; it is made when it does not exist.
    reading : bool
        Only to look at: a file on a disk that cannot be written is then opened as it is.

    Raises
    ------
    ConfigError
        The path cannot be written or the server not reached, what is there is no database or another program's, or a
        newer benchrig made it; or a store was kept here that is missing, emptied, another one, or older than it was.
    """

    def __init__(self, place: Path | StorePlace, *, reading: bool = False) -> None:
        self.place = place_of(place)
        self._waiting = Waiting()
        self._archive = archive_beside(self.path)
        if reading and not self.place.on_server and not may_write(self.path):
            self._writer = self._reader = open_for_reading(self.path, self._waiting)
            return
        self._writer, self._reader = open_database(self.place, self._waiting)
        try:
            close_cut_off_runs(self.place, self._writer, self._reader)
        except sa.exc.DatabaseError as error:  # damaged inside: what can be read is read
            if not reading:
                raise unreadable(self.place, error) from error

    @property
    def path(self) -> Path:
        """The database file; of a store on a server what files of it on this computer are named after."""
        return self.place.beside

    def recorder(self, meanwhile: Callable[[], object] | None = None) -> Recorder:
        """A `Sink` that writes one run into this store.

        While another program is in the way `meanwhile` is called every tenth of a second or so: `Bench.feed`, so that
        the board does not take this program for dead.
        """
        if meanwhile is not None:
            self._waiting.meanwhile = meanwhile
        return Recorder(self._writer, self.place)

    @property
    def calibration_store(self) -> CalibrationStore:
        """Bench checks and calibrations."""
        return CalibrationStore(self._writer, self._reader, self.place)

    def run(self, number_or_tag: str, *, traces: bool = True) -> RunRecord:
        """Read one run.

        Parameters
        ----------
        number_or_tag : str
            A run's number, with or without its leading zeros; a tag (its latest run); or what a scanner reads from a
            label. ``run:0042`` means the run and ``tag:0042`` the tag where both are there.
        traces : bool
            False leaves the traces out: nobody looks at them, and they are nearly all of a record. Its digests then
            cannot be checked.

        Raises
        ------
        ConfigError
            No such run (near ones are named), or a number that is both a run's and a tag.
        BenchError
            The record is damaged.
        """
        wanted = number_or_tag.strip()
        with read_connection(self._reader, self.place) as connection:
            run_id = find_run(connection, wanted)
            if run_id is None:
                gone = taken_away(connection, wanted)
                if gone is not None:
                    raise BenchError(f"{gone} ({self.place}).", hint=TAKEN_AWAY_HINT)
                near = near_tags(connection, wanted)
                raise ConfigError(
                    f"No run and no tag {wanted!r} in {self.place}.",
                    hint=f"Did you mean {near}?" if near else "'benchrig records list' shows what there is.",
                )
            try:
                record = read_run(connection, run_id, traces=traces, archive=self._archive)
                later = later_than(connection, run_id)
                return replace(record, later=later, seal=self._seal(connection, record, whole=traces))
            except (ValueError, KeyError, TypeError, AttributeError, RecursionError, sa.exc.DatabaseError) as error:
                raise BenchError(
                    f"The record of run {run_number(run_id)} in {self.place} is damaged: {reason_of(error)}.",
                    hint="Health of the disk; was the file changed by another program? Restore it from a backup. "
                    "The other runs: 'benchrig records list' names those that can be read.",
                ) from error

    def _seal(self, connection: sa.Connection, record: RunRecord, *, whole: bool) -> Seal:
        """How a run stands with its seal; one older than the seals is held against its digests alone."""
        seal = seal_of_run(connection, keys_beside(self.path), int(record.run), heads_beside(self.path))
        more: tuple[Fault, ...] = ()
        if whole and seal.state == "not sealed then":
            more = not_sealed_faults(connection, record)
        elif whole and record.ending != "finished":  # until the end was sealed only digests held the steps
            more = tuple(Fault(f"run {record.run}", "changed", says) for says in record.digest_faults())
        elif whole:
            more = archived_faults(record)
        return replace(seal, state="broken", faults=(*seal.faults, *more)) if more else seal

    def reading(self) -> AbstractContextManager[sa.Connection]:
        """A transaction that only reads; see `read_connection`."""
        return read_connection(self._reader, self.place)

    def writing(self, what: str) -> AbstractContextManager[sa.Connection]:
        """A transaction that writes `what`, as messages name it; see `write_connection`."""
        return write_connection(self._writer, self.place, what)

    def verify(self, kept: Iterable[KeptHead] = (), trusted: Iterable[str] = ()) -> StoreChecked:
        """Hold everything in the store against its seals; see `verification.verify_store`."""
        with read_connection(self._reader, self.place) as connection:

            def read(run_id: int) -> RunRecord:
                return read_run(connection, run_id, traces=True, archive=self._archive)

            return verify_store(
                connection, keys_beside(self.path), heads_beside(self.path), read, kept=kept, trusted=trusted
            )

    @property
    def archive_folder(self) -> Path:
        """Where traces that were moved out of the store are."""
        return self._archive.folder

    def archive(self, before: datetime, tell: Callable[[int], object] = lambda _: None) -> Archived:
        """Move the traces of runs that were begun before then into archive files; see `archiving.archive_traces`."""
        return archive_traces(self._writer, self._reader, self.place, self._archive, before, tell)

    def summary(self, wanted: RunsWanted) -> Summary:
        """Some runs together."""
        with read_connection(self._reader, self.place) as connection:
            return summarise(connection, wanted)

    def signed(self, record: RunRecord, html: str) -> str:
        """A page or a label of a run, signed with its bench's key."""
        return signed_page(html, record, keys_beside(self.path))

    def signed_pdf(self, record: RunRecord, pdf: bytes) -> bytes:
        """The same of a page or label in PDF."""
        return signed_pdf(pdf, record, keys_beside(self.path))

    def check_pages(self, folder: Path) -> tuple[int, list[Fault]]:
        """How many pages and labels in a folder are signed, and what is wrong with them or does not fit the store."""
        with read_connection(self._reader, self.place) as connection:

            def digests(run: str) -> tuple[str, ...] | None:
                there = find_run(connection, f"run:{run}")
                return None if there is None else read_run(connection, there, traces=False).digests

            found = [fault for _, fault in check_pages(connection, folder, digests)]
        return len(found), [fault for fault in found if fault is not None]

    def heads(self) -> list[ChainHead]:
        """How far the seals of each bench have come."""
        with read_connection(self._reader, self.place) as connection:
            return heads(connection)

    def bench_keys(self) -> list[KeyTold]:
        """The keys that the benches have sealed with."""
        with read_connection(self._reader, self.place) as connection:
            return told_keys(connection, keys_beside(self.path))

    def decide(self, record: RunRecord, decision: Decision) -> None:
        """Keep what a person decided about the part of a run. Raises BenchError when it cannot be written."""
        with head_kept(self.path) as keep, write_connection(self._writer, self.place, "decision") as connection:
            keep_decision(connection, keys_beside(self.path), int(record.run), decision)
            keep(connection)

    def before(self, record: RunRecord) -> RunRecord | None:
        """The last finished run of the same part as the same model before a run; None when it is the first."""
        c = tables.runs.c
        # A model has very many runs, a part has few: the model's index must not be taken for this.
        model = c.model.concat("") == record.intake.model
        earlier = (
            sa.select(c.id)
            .where(c.tag == record.intake.tag, model, c.ending == "finished", c.id < int(record.run))
            .order_by(c.id.desc())
            .limit(1)
        )
        with read_connection(self._reader, self.place) as connection:
            run_id = connection.execute(earlier).scalar()
        return None if run_id is None else self.run(f"run:{run_id}", traces=False)

    def tag_of(self, typed_or_scanned: str) -> str:
        """The tag that is meant where one is asked for: as it is typed, or of the part whose label was scanned.

        Raises
        ------
        ConfigError
            A label of a part that is not in this store, with a tag too long to stand on it.
        """
        code = read_label_code(typed_or_scanned)
        if code is None:
            return typed_or_scanned
        with read_connection(self._reader, self.place) as connection:
            tag = tag_of_label(connection, code)
        if tag is None:
            raise ConfigError(
                f"The label of run {code.run} is of a part that is not in {self.place}; its tag is too long to stand "
                "on the label.",
                hint="Type the tag instead. Is the label from another bench's store?",
            )
        return tag

    def runs(self, limit: int = 50, wanted: RunsWanted = ALL_RUNS) -> list[RunSummary]:
        """Summaries of the runs that are wanted, newest first, at most `limit` of them."""
        return summaries(self._reader, self.place, wanted, limit)

    def numbers(self, wanted: RunsWanted) -> list[int]:
        """Numbers of the runs that are wanted, the first that was begun first."""
        with read_connection(self._reader, self.place) as connection:
            return list(connection.execute(numbers_wanted(wanted)).scalars())

    def read(self, numbers: Iterable[int], *, traces: bool) -> Iterator[RunRecord]:
        """Read runs one after the other, as long as somebody takes them; their seals are not looked at.

        Raises
        ------
        BenchError
            One of them is damaged.
        """
        for number in numbers:
            with read_connection(self._reader, self.place) as connection:
                yield read_run(connection, number, traces=traces, archive=self._archive)

    def check_valve_runs(self, tag: str | None = None) -> CheckValveHistory:
        """All finished runs of one check valve, oldest first; of the one measured last when no tag is given.

        Raises
        ------
        ConfigError
            There is none.
        """
        with read_connection(self._reader, self.place) as connection:
            return check_valve_history(connection, self.place, tag)

    def recent_runs(self, bench: BenchKey, since: datetime) -> tuple[RecentRun, ...]:
        """The newest runs on a bench that began since then, newest first."""
        with read_connection(self._reader, self.place) as connection:
            return recent_runs(connection, bench, since)
