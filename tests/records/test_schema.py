"""Which files are opened, which are refused, and that migrations and metadata describe the same tables."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
import sqlalchemy as sa

from benchrig.errors import ConfigError
from benchrig.records import Store
from benchrig.records.database.place import StorePlace
from benchrig.records.schema import make_engine, migrate
from benchrig.records.tables import APPLICATION_ID, HEAD, metadata
from tests.records.raw_database import raw_database
from tests.reports.sample_record import record_into


def tables_of(path: Path) -> dict[str, object]:
    """Everything that SQLite knows about the tables, less the wording of their SQL."""
    with raw_database(path) as raw:
        names = [name for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]
        found: dict[str, object] = {"application": raw.execute("PRAGMA application_id").fetchone()}
        for name in names:
            indexes = [row[1:] for row in raw.execute(f"PRAGMA index_list({name})")]
            found[name] = {
                "columns": raw.execute(f"PRAGMA table_xinfo({name})").fetchall(),
                "foreign keys": raw.execute(f"PRAGMA foreign_key_list({name})").fetchall(),
                "indexes": sorted(
                    (index, raw.execute(f"PRAGMA index_info({index[0]})").fetchall()) for index in indexes
                ),
                "strict": raw.execute("SELECT strict FROM pragma_table_list WHERE name = ?", (name,)).fetchall(),
            }
    return found


def checks_of(path: Path) -> dict[str, list[str]]:
    engine = sa.create_engine(f"sqlite:///{path}")
    with engine.connect() as connection:
        inspector = sa.inspect(connection)
        found = {
            table: sorted(f"{check['name']}: {check['sqltext']}" for check in inspector.get_check_constraints(table))
            for table in inspector.get_table_names()
        }
    engine.dispose()
    return found


def not_on_a_server(_: object, name: str | None, *__: object) -> bool:
    return name != "uq_chains_origin"


@pytest.mark.slow
def test_migrations_from_nothing_and_the_metadata_make_the_same_tables(workshop: Path) -> None:
    from alembic.autogenerate import compare_metadata
    from alembic.runtime.migration import MigrationContext

    workshop.mkdir()
    migrated, made = workshop / "migrated.sqlite", workshop / "made.sqlite"
    Store(made)
    migrate(make_engine(migrated, begin="BEGIN IMMEDIATE"), StorePlace(migrated), None)
    assert tables_of(migrated) == tables_of(made)
    assert len(tables_of(made)) == 16
    assert checks_of(migrated) == checks_of(made)
    assert checks_of(made)["runs"]
    with make_engine(migrated, begin="BEGIN").connect() as connection:
        context = MigrationContext.configure(connection, opts={"include_object": not_on_a_server})
        assert compare_metadata(context, metadata) == []
    assert record_into(Store(migrated).recorder(), "accept") == "0001"


@pytest.mark.slow
def test_a_fresh_store_does_not_import_alembic_and_the_package_stays_light(workshop: Path) -> None:
    program = (
        "import sys; from pathlib import Path; from benchrig.records import Store; Store(Path(sys.argv[1])); "
        "print(sorted({'alembic', 'matplotlib', 'scipy', 'jinja2', 'rich', 'pydantic'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(workshop / "records.sqlite")],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).parents[2],
    )
    assert done.stdout.strip() == "[]"


def test_the_file_is_stamped_with_revision_and_owner(workshop: Path) -> None:
    path = workshop / "records.sqlite"
    Store(path)
    with raw_database(path) as raw:
        assert raw.execute("SELECT version_num FROM alembic_version").fetchall() == [(HEAD,)]
        assert raw.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)


@pytest.mark.slow
def test_a_store_of_a_newer_program_is_refused_and_left_alone(workshop: Path) -> None:
    path = workshop / "records.sqlite"
    record_into(Store(path).recorder(), "aborted")
    with raw_database(path) as raw:
        raw.execute("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(ConfigError, match=r"newer benchrig .*'9999'") as caught:
        Store(path)
    assert "Update benchrig" in caught.value.hint
    with raw_database(path) as raw:
        assert raw.execute("SELECT count(*) FROM runs").fetchone() == (1,)


def test_a_database_of_another_program_is_refused_and_not_changed(workshop: Path) -> None:
    workshop.mkdir()
    path = workshop / "records.sqlite"
    with raw_database(path) as raw:
        raw.execute("CREATE TABLE invoices (a INTEGER)")
    before = path.read_bytes()
    with pytest.raises(ConfigError, match="another program"):
        Store(path)
    assert path.read_bytes() == before


def test_a_file_that_is_no_database_is_refused_and_not_changed(workshop: Path) -> None:
    workshop.mkdir()
    path = workshop / "records.sqlite"
    path.write_text("tag,verdict\n" * 200)
    before = path.read_bytes()
    with pytest.raises(ConfigError, match="not a database"):
        Store(path)
    assert path.read_bytes() == before


@pytest.mark.slow
def test_an_empty_file_left_by_a_start_that_was_cut_off_becomes_the_store(workshop: Path) -> None:
    workshop.mkdir()
    path = workshop / "records.sqlite"
    path.touch()
    assert record_into(Store(path).recorder(), "aborted") == "0001"
    other = workshop / "other.sqlite"
    with raw_database(other) as raw:
        raw.execute("PRAGMA journal_mode=WAL")
    assert record_into(Store(other).recorder(), "aborted") == "0001"


def test_a_folder_that_cannot_be_made_or_a_folder_in_place_of_the_file_is_told(workshop: Path) -> None:
    workshop.mkdir()
    (workshop / "file").write_text("in the way")
    with pytest.raises(ConfigError, match="folder cannot be made") as caught:
        Store(workshop / "file" / "records.sqlite")
    assert caught.value.exit_status == 2
    (workshop / "records.sqlite").mkdir()
    with pytest.raises(ConfigError, match="this is a folder"):
        Store(workshop / "records.sqlite")


def test_a_read_only_folder_is_told(workshop: Path) -> None:
    # /proc refuses new files to everybody, root included.
    with pytest.raises(ConfigError, match="cannot be") as caught:
        Store(Path("/proc/benchrig-test/records.sqlite"))
    assert caught.value.hint


def test_a_path_with_odd_characters_is_only_a_path(workshop: Path) -> None:
    path = workshop / "50% off?#x & 'so' é" / "records.sqlite"
    assert record_into(Store(path).recorder(), "aborted") == "0001"
    assert Store(path).run("0001").ending == "aborted"
    assert path.exists()
