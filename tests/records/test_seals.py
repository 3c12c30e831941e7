"""Records are sealed as they are written; what is changed behind the store's back is found and named."""

from __future__ import annotations

import os
import shutil
import stat
from dataclasses import replace
from pathlib import Path

import pytest

from benchrig.bench.calibrations import Withdrawal
from benchrig.bench.traceability import BenchKey
from benchrig.errors import BenchError, ConfigError
from benchrig.records import Store
from benchrig.records.bench_keys import BenchKeys, keys_beside, signature_fits
from benchrig.records.database.place import StorePlace, place_named
from benchrig.records.decisions import Decision
from benchrig.records.identity import identity_path
from benchrig.records.store_replacement import begin_anew, go_on_from_backup
from benchrig.records.verification import KeptHead, StoreChecked, read_head
from tests.records.raw_database import behind, raw_database
from tests.records.test_calibration_store import CHECK, VOLUME
from tests.reports.sample_record import BENCH, STARTED, record_into, started, steps

REAL = BenchKey("demo bench", simulated=False)


@pytest.fixture
def file(workshop: Path) -> Path:
    """For what only a file has: older schemas, backups that are copied."""
    return workshop / "records.sqlite"


@pytest.fixture
def store(place: StorePlace) -> Store:
    """Two runs, a check, a withdrawn calibration, a decision: seven entries with the key, in two chains."""
    store = Store(place)
    record_into(store.recorder(), "accept", tag="C-1")
    record_into(store.recorder(), "aborted", tag="C-2")
    store.decide(store.run("run:1"), Decision(STARTED, "R. Counter", "scrap", "cracked"))
    store.calibration_store.keep_check(REAL, CHECK)
    store.calibration_store.keep_calibration(REAL, VOLUME)
    store.calibration_store.withdraw(1, Withdrawal(STARTED, "R. Counter", "dented"))
    return store


def told(found: StoreChecked) -> list[str]:
    return [f"{each.how} {each.what}: {each.says}" for each in found.faults]


def test_runs_checks_calibrations_withdrawals_and_decisions_stand_in_chains(store: Store) -> None:
    found = store.verify()
    assert told(found) == []
    assert found.counts == {
        "key": 2,
        "run": 2,
        "run end": 2,
        "decision": 1,
        "check": 1,
        "calibration": 1,
        "withdrawal": 1,
    }
    assert [(chain.title, chain.entries) for chain in found.chains] == [
        ("demo bench (simulated)", 6),
        ("demo bench", 4),
    ]
    assert store.run("1").seal == replace(store.run("1").seal, state="sealed", number=3, faults=())


OF_2 = "FROM traces JOIN steps ON steps.id = step_id WHERE steps.name = 'flow' AND run_id = 2"
CHANGES = {
    "a verdict": ("UPDATE runs SET verdict = 'reject' WHERE id = 1", "run 0001: not as it was sealed: verdict"),
    "a tag": ("UPDATE runs SET tag = 'D' WHERE id = 2", "run 0002: not as it was sealed: tag"),
    "simulated": ("UPDATE runs SET simulated = 0 WHERE id = 1", "sealed: simulated or not"),
    "a value": ("UPDATE characteristics SET value = 1 WHERE id = 1", "sealed: values of step 2 (coil)"),
    "limits": ("UPDATE runs SET model_facts = model_facts || ' '", "sealed: limits of the model"),
    "a row's number": ("UPDATE traces SET id = 999 WHERE id = 1", "run 0001: the numbers of its rows in the database"),
    "a trace gone": ("DELETE FROM traces WHERE name = 'hold'", "run 0001: taken away: traces of step 3"),
    "a step gone": ("DELETE FROM steps WHERE id = 1", "removed run 0001"),
    "a check's date": ("UPDATE checks SET ended_at = '2030'", "check-0001: not as it was sealed: when"),
    "a check gone": ("DELETE FROM checks", "removed bench check check-0001"),
    "a calibration": ("UPDATE calibrations SET until_at = '2030'", "cal-0001: not as it was sealed: how long"),
    "a withdrawal gone": ("DELETE FROM withdrawals", "removed withdrawal 0001"),
    "a decision": ("UPDATE decisions SET because = 'no'", "decision 0001: not as it was sealed: because"),
    "an entry gone": ("DELETE FROM seals WHERE number = 3 AND chain = 1", "(simulated): entry 3"),
    "an entry changed": ("UPDATE seals SET at = '2030' WHERE number = 3 AND chain = 1", "changed entry 3 of the seals"),
    "the tail cut off": ("DELETE FROM seals WHERE number > 3 AND chain = 1", "its last entries are missing"),
    "a whole chain gone": ("DELETE FROM seals WHERE chain = 2", "its last entries are missing"),
    "a chain's name": ("UPDATE chains SET bench = 'other' WHERE id = 1", "entry 1 of the seals of other"),
    "identity": ("UPDATE identity SET made = '2030'", "the seals are of a store with another one"),
    "numbers": ("UPDATE identity SET run = 7", "the last run had the number 7; by the seals it is 2"),
    "when sealing began": ("UPDATE sealed_since SET run = 2", "what is said of when sealing began"),
    "a row put in": (
        "INSERT INTO decisions SELECT 9, run_id, at, 'A', 'x', 'y' FROM decisions",
        "added decision 0009",
    ),
}


@pytest.mark.parametrize("what", CHANGES)
def test_what_is_changed_is_named(store: Store, place: StorePlace, what: str) -> None:
    statement, says = CHANGES[what]
    behind(place, statement)
    assert any(says in line for line in told(Store(place).verify())), told(Store(place).verify())


def test_a_run_that_is_shown_says_what_was_changed_of_it_of_its_decisions_and_its_neighbours(
    store: Store, place: StorePlace
) -> None:
    behind(place, "UPDATE runs SET verdict = 'reject' WHERE id = 1")
    seal = Store(place).run("run:1").seal
    assert seal is not None
    assert (seal.state, [each.says for each in seal.faults]) == ("broken", ["not as it was sealed: verdict"])
    other = Store(place).run("run:2").seal
    assert other is not None
    assert other.state == "sealed"
    behind(place, "DELETE FROM decisions")
    seal = Store(place).run("run:1").seal
    assert seal is not None
    assert [each.what for each in seal.faults] == ["run 0001", "decision 0001"]


def test_runs_and_traces_that_were_exchanged_are_named_as_such(place: StorePlace) -> None:
    store = Store(place)
    record_into(store.recorder(), "accept", tag="C-1")
    record_into(store.recorder(), "reject", tag="C-2")
    of_1 = "step_id = (SELECT id FROM steps WHERE name = 'flow' AND run_id = 1)"
    behind(place, f"UPDATE traces SET arrays = (SELECT arrays {OF_2}) WHERE {of_1}")
    assert "changed run 0001: not as it was sealed: traces of step 4 (flow)" in told(Store(place).verify())
    rest = ("samples", "marks", "curves")
    behind(place, *(f"UPDATE traces SET {c} = (SELECT {c} {OF_2}) WHERE {of_1}" for c in rest))
    assert "swapped run 0001: traces of step 4 (flow): those of run 0002" in told(Store(place).verify())


def test_whole_runs_that_were_exchanged_are_named_as_such(place: StorePlace) -> None:
    store = Store(place)
    record_into(store.recorder(), "accept", tag="C-1")
    record_into(store.recorder(), "reject", tag="C-2")
    changes = [
        f"UPDATE {table} SET {column} = {new} WHERE {column} = {old}"
        for table, column in (("runs", "id"), ("steps", "run_id"))
        for old, new in ((1, -1), (2, 1), (-1, 2))
    ]
    behind(place, *changes)
    lines = told(Store(place).verify())
    assert "swapped run 0001: what stands in its place was sealed as run 0002" in lines
    assert "swapped run 0002: what stands in its place was sealed as run 0001" in lines


def test_entries_that_were_put_into_another_order_are_named(store: Store, place: StorePlace) -> None:
    behind(
        place,
        *(
            f"UPDATE seals SET number = {new} WHERE number = {old} AND chain = 1"
            for old, new in ((3, 99), (4, 3), (99, 4))
        ),
    )
    lines = told(Store(place).verify())
    assert "reordered entry 3 of the seals of demo bench (simulated): it was written as entry 4" in lines


def test_a_run_that_was_taken_away_is_told_where_it_is_asked_for(store: Store, place: StorePlace) -> None:
    behind(place, "DELETE FROM runs WHERE id = 2", "DELETE FROM steps WHERE run_id = 2")
    with pytest.raises(BenchError, match=r"Run 0002 was sealed at .* and has been taken out of the store"):
        Store(place).run("2")
    assert any("removed run 0002" in line for line in told(Store(place).verify()))
    behind(place, "DELETE FROM seals WHERE subject = 2 AND kind IN ('run', 'run end')")
    with pytest.raises(BenchError, match="Run 0002 is not in the store any more, though its number was given out"):
        Store(place).run("run:0002")


def test_rules_that_were_taken_away_are_told(store: Store, place: StorePlace) -> None:
    with raw_database(place) as raw:
        if place.on_server:
            raw.execute("ALTER TABLE seals DISABLE TRIGGER seals_no_update")
            raw.execute("DROP TRIGGER seals_no_delete ON seals")
            raw.execute("CREATE TRIGGER hide AFTER INSERT ON runs EXECUTE FUNCTION only_ever_added()")
        else:
            raw.execute("DROP TRIGGER seals_no_delete")
            raw.execute("CREATE TRIGGER hide AFTER INSERT ON runs BEGIN SELECT 1; END")
    lines = told(Store(place).verify())
    assert any("removed the database's rule seals_no_delete" in line for line in lines)
    assert any("added the trigger hide" in line for line in lines)
    assert len(lines) == 2 + place.on_server


def test_the_database_refuses_to_change_a_seal(store: Store, place: StorePlace) -> None:
    for statement in (
        "UPDATE seals SET at = ''",
        "DELETE FROM seals",
        "DELETE FROM chains",
        "DELETE FROM sealed_since",
    ):
        with raw_database(place) as raw, pytest.raises(Exception, match="are never"):
            raw.execute(statement)


def test_a_head_that_was_kept_shows_what_nothing_else_can(place: StorePlace) -> None:
    store = Store(place)
    for tag in ("C-1", "C-2"):
        record_into(store.recorder(), "accept", tag=tag)
    (head,) = store.heads()
    kept = read_head(f"{head.number}:{head.digest[:16]}")
    assert told(store.verify([kept])) == []
    # Everything that tells of the end is cut off alike, in the database and beside it.
    of_2 = "WHERE step_id IN (SELECT id FROM steps WHERE run_id = 2)"
    gone = (f"characteristics {of_2}", f"traces {of_2}", "steps WHERE run_id = 2", "runs WHERE id = 2")
    behind(place, *(f"DELETE FROM {what}" for what in (*gone, "seals WHERE number > 3")))
    behind(place, "UPDATE identity SET run = 1, digest = (SELECT start_digest FROM runs)")
    identity_path(place.beside).unlink()
    assert told(Store(place).verify()) == []
    assert told(Store(place).verify([kept])) == [
        f"not the kept one the kept head 5:{head.digest[:16]}: no chain comes that far (the longest has 3 entries): "
        "the last entries were taken away"
    ]
    assert "another one" in told(Store(place).verify([KeptHead(3, "0" * 16)]))[0]


@pytest.mark.parametrize("typed", ["", "12", "12:", "12:abc", "x:0123456789", "12:0123456789xy"])
def test_what_is_no_head_is_told(typed: str) -> None:
    with pytest.raises(ConfigError, match="no head of the seals"):
        read_head(typed)


def test_an_old_store_is_brought_up_and_its_runs_are_marked_as_not_sealed_then(file: Path) -> None:
    store = Store(file)
    record_into(store.recorder(), "accept", tag="old")
    record_into(store.recorder(), "reject", tag="old")
    down_to(file, "0004")
    shutil.rmtree(file.parent / "keys")
    store = Store(file)
    assert [run.seal.state for run in (store.run("1"), store.run("2")) if run.seal] == ["not sealed then"] * 2
    record_into(store.recorder(), "accept", tag="new")
    found = store.verify()
    assert told(found) == []
    assert (found.counts["run"], found.counts["not sealed then"]) == (1, 2)
    with raw_database(file) as raw:
        assert raw.execute("SELECT bench FROM runs").fetchall() == [("demo bench",)] * 3
    behind(file, "UPDATE runs SET verdict = 'accept' WHERE id = 2", "UPDATE runs SET operator = 'X' WHERE id = 1")
    assert told(Store(file).verify()) == [
        "changed run 0001: the start of the run is not as it was written",
        "changed run 0002: its verdict stands there as accept and as reject",
    ]
    assert [run.seal.state for run in (Store(file).run("1"), Store(file).run("2")) if run.seal] == ["broken"] * 2


def down_to(file: Path, revision: str) -> None:
    """Bring a store back to an older revision, as a program of that day left it."""
    from alembic import command
    from alembic.config import Config

    import benchrig.records as package
    from benchrig.records.schema import make_engine

    config = Config()
    config.set_main_option("script_location", str(Path(package.__file__).with_name("migrations")))
    config.set_main_option("path_separator", "os")
    with make_engine(file, begin="BEGIN IMMEDIATE").begin() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, revision)
    identity_path(file).unlink()  # it tells how far the seals had come


def test_a_run_that_is_going_on_and_one_that_was_cut_off_have_their_place(place: StorePlace) -> None:
    store = Store(place)
    recorder = store.recorder()
    recorder.run_started(started())
    for step in steps("accept")[:2]:
        recorder.step_finished(step)
    seal = store.run("1").seal
    assert seal is not None
    assert (seal.state, seal.number) == ("going on", 2)
    assert told(store.verify()) == []
    behind(place, "UPDATE steps SET notes = '[\"nothing\"]' WHERE name = 'coil'")
    recorder._let_go()  # as when the program is killed
    store = Store(place)
    assert store.run("1").ending == "aborted"
    assert told(store.verify()) == ["changed run 0001: step coil is not as it was written"]
    seal = store.run("1").seal
    assert seal is not None
    assert (seal.state, seal.number) == ("broken", 3)


# -- keys


def test_a_key_is_made_at_first_use_and_is_its_owners_alone(store: Store, place: StorePlace) -> None:
    keys = keys_beside(place.beside)
    files = sorted(keys.folder.iterdir())
    assert [file.name.rpartition("-")[0] for file in files] == ["demo-bench", "demo-bench-simulated"]
    if os.name == "posix":
        assert [stat.S_IMODE(file.stat().st_mode) for file in (keys.folder, *files)] == [0o700, 0o600, 0o600]
    told = store.bench_keys()
    assert [(each.bench, each.newest, each.here, each.too_open) for each in told] == [
        ("demo bench (simulated)", True, True, False),
        ("demo bench", True, True, False),
    ]
    signer = keys.signer("demo bench", simulated=False)
    assert signature_fits(signer.public, signer.sign(b"x"), b"x")
    assert not signature_fits(signer.public, signer.sign(b"x"), b"y")


def test_a_key_can_be_kept_elsewhere(place: StorePlace, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("BENCHRIG_KEYS", str(tmp_path / "stick"))
    record_into(Store(place).recorder(), "aborted")
    assert not (place.beside.parent / "keys").exists()
    assert len(list((tmp_path / "stick").iterdir())) == 1
    assert told(Store(place).verify()) == []


def test_a_lost_key_is_made_anew_and_what_was_sealed_before_still_stands(store: Store, place: StorePlace) -> None:
    (old,) = [each.name for each in store.bench_keys() if each.bench.endswith("(simulated)")]
    shutil.rmtree(place.beside.parent / "keys")
    record_into(Store(place).recorder(), "accept", tag="C-3")
    found = Store(place).verify()
    assert told(found) == []
    assert any(f"The key {old} of demo bench (simulated) is not on this computer" in each for each in found.remarks)
    several = "2 computers have sealed as" if place.on_server else "has sealed with 2 keys"
    assert any(several in each for each in found.remarks)
    assert not any(old in each and "not on this" in each for each in Store(place).verify(trusted=[old]).remarks)
    behind(place, "UPDATE runs SET operator = 'X' WHERE id = 1")
    assert told(Store(place).verify()) == ["changed run 0001: not as it was sealed: operator"]


def record_without_the_key(place: StorePlace) -> None:
    own = place.beside.parent / "keys"
    own.rename(place.beside.parent / "kept")
    record_into(Store(place).recorder(), "accept", tag="C-3")
    shutil.rmtree(own)
    (place.beside.parent / "kept").rename(own)


def test_two_computers_of_one_bench_name_have_two_chains_on_a_server(server_url: str, workshop: Path) -> None:
    place = place_named(server_url, workshop)
    record_into(Store(place).recorder(), "accept", tag="C-1")
    record_without_the_key(place)
    found = Store(place).verify()
    assert told(found) == []
    assert [chain.title for chain in found.chains] == ["demo bench (simulated)"] * 2
    assert [len(chain.strangers) for chain in found.chains] == [0, 1]
    assert any("2 computers have sealed as demo bench (simulated)" in each for each in found.remarks)
    # Whoever has not the key cannot write into the other's chain either.
    behind(place, "UPDATE seals SET chain = 1, number = number + 10 WHERE chain = 2")
    assert any(line.startswith("sealed with another key seals of") for line in told(Store(place).verify()))


def test_what_was_sealed_with_another_key_is_named(file: Path) -> None:
    place = StorePlace(file)
    record_into(Store(file).recorder(), "accept", tag="C-1")
    record_into(Store(file).recorder(), "aborted", tag="C-2")
    record_without_the_key(place)
    lines = told(Store(file).verify())
    assert any(line.startswith("sealed with another key entry 7 ") and "(run 0003)" in line for line in lines)
    seal = Store(place).run("3").seal
    assert seal is not None
    assert seal.state == "broken"


def test_a_damaged_or_closed_key_ends_the_run_before_it_begins(place: StorePlace) -> None:
    record_into(Store(place).recorder(), "aborted")
    (file,) = (place.beside.parent / "keys").iterdir()
    file.write_text("no key")
    with pytest.raises(ConfigError, match="is damaged") as caught:
        Store(place).recorder().run_started(started())
    assert "backup" in caught.value.hint
    assert [run.run for run in Store(place).runs()] == ["0001"]
    file.write_bytes(b"\xff\xfe")
    with pytest.raises(ConfigError, match="is damaged"):
        BenchKeys(file.parent).signer(BENCH.name, simulated=True)
    file.unlink()
    file.mkdir()
    with pytest.raises(ConfigError, match="cannot be read"):
        BenchKeys(file.parent).signer(BENCH.name, simulated=True)


# -- a store that was lost


def test_going_on_from_a_backup_and_a_new_store_keep_the_seals_whole(file: Path) -> None:
    store = Store(file)
    for tag in ("C-1", "C-2"):
        record_into(store.recorder(), "accept", tag=tag)
    shutil.copyfile(file, file.with_name("backup"))
    record_into(store.recorder(), "accept", tag="lost")
    shutil.copyfile(file.with_name("backup"), file)
    go_on_from_backup(file)
    assert told(Store(file).verify()) == []
    assert record_into(Store(file).recorder(), "accept", tag="C-4") == "0004"
    assert told(Store(file).verify()) == []
    with pytest.raises(BenchError, match="Run 0003 is not in the store any more"):
        Store(file).run("3")
    begin_anew(file)
    assert record_into(Store(file).recorder(), "accept", tag="C-5") == "0005"
    assert told(Store(file).verify()) == []
