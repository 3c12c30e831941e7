"""A PostgreSQL cluster that is thrown away: in a folder of its own, run by the user postgres where we are root.

Tests take the fixtures of `tests/conftest.py`: `postgresql` (one cluster for each process of tests) and `server_url`
(an empty schema in it). A study starts a cluster of its own: ``with Cluster() as cluster: cluster.new_schema()``.
"""

from __future__ import annotations

import itertools
import os
import shutil
import signal
import socket
import subprocess
import tempfile
from contextlib import suppress
from pathlib import Path
from types import TracebackType

from benchrig.clock import RealClock

USER = "postgres"


def binaries() -> Path | None:
    """The folder of initdb and postgres, of the newest version that is installed; None where there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda each: float(each.parts[-3]))
    if found:
        return found[-1].parent
    named = shutil.which("initdb")
    return Path(named).resolve().parent if named else None


def _runs(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


class Cluster:
    """One server. `durable` keeps its promises of the disk, as a real one does; tests go without.

    `kill` ends it as a lost computer would, `stop` and `start` as its keeper does.
    """

    def __init__(self, *, durable: bool = False) -> None:
        folder = binaries()
        if folder is None:
            raise FileNotFoundError("PostgreSQL is not installed: apt-get install postgresql")
        self._binaries = folder
        self._durable = durable
        self._schemas = itertools.count(1)
        self.folder = Path(tempfile.mkdtemp(prefix="benchrig-pg-"))
        self._as_root = os.name == "posix" and os.geteuid() == 0
        if self._as_root:
            shutil.chown(self.folder, USER, USER)
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])

    def _run(self, *words: str) -> None:
        before = ["runuser", "-u", USER, "--"] if self._as_root else []
        program, *rest = words
        command = [*before, str(self._binaries / program), *rest]
        done = subprocess.run(command, capture_output=True, text=True, cwd=self.folder, check=False, timeout=120)
        if done.returncode:
            raise RuntimeError(f"{words}: {done.stdout}{done.stderr}")

    @property
    def data(self) -> Path:
        return self.folder / "data"

    def __enter__(self) -> Cluster:
        self._run("initdb", "-D", str(self.data), "-U", USER, "-A", "trust", "--no-sync", "-E", "UTF8", "--locale=C")
        lines = [
            f"port = {self.port}",
            "listen_addresses = '127.0.0.1'",
            f"unix_socket_directories = '{self.folder}'",
            "max_connections = 100",
            f"fsync = {'on' if self._durable else 'off'}",
            f"full_page_writes = {'on' if self._durable else 'off'}",
        ]
        with (self.data / "postgresql.conf").open("a", encoding="utf-8") as file:
            file.write("\n".join(lines) + "\n")
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.stop()
        shutil.rmtree(self.folder, ignore_errors=True)

    def start(self) -> None:
        self._run("pg_ctl", "-D", str(self.data), "-w", "-l", str(self.folder / "log"), "-s", "start")

    def stop(self) -> None:
        """At once, with what is going on broken off; nothing is done where it does not run."""
        if (self.data / "postmaster.pid").exists():
            self._run("pg_ctl", "-D", str(self.data), "-w", "-s", "-m", "fast", "stop")

    def kill(self) -> None:
        """As when the computer is lost: no process of it says goodbye."""
        pid_file = self.data / "postmaster.pid"
        own = int(pid_file.read_text(encoding="utf-8").split()[0])
        children = subprocess.run(["pgrep", "-P", str(own)], capture_output=True, text=True, check=False).stdout.split()
        all_of_it = (own, *map(int, children))
        for process in all_of_it:
            with suppress(ProcessLookupError):
                os.kill(process, signal.SIGKILL)
        clock = RealClock()
        while any(_runs(process) for process in all_of_it):
            clock.sleep_until(clock.now() + 0.01)
        # A dead process that nobody has waited for still has its number: its locks look held.
        pid_file.unlink()
        for lock in self.folder.glob(".s.PGSQL.*"):
            lock.unlink()

    def url(self, schema: str = "public", database: str = "postgres") -> str:
        """As it is given to `benchrig --store`."""
        return f"postgresql://{USER}@127.0.0.1:{self.port}/{database}?options=-csearch_path%3D{schema}"

    def execute(self, *statements: str, schema: str = "public") -> None:
        """Statements of SQL, each by itself."""
        import psycopg

        with psycopg.connect(self.url(schema), autocommit=True) as raw:
            for statement in statements:
                raw.execute(statement.encode())

    def new_schema(self) -> str:
        """Make an empty schema and return its URL."""
        name = f"store_{next(self._schemas)}"
        self.execute(f"CREATE SCHEMA {name}")
        return self.url(name)
