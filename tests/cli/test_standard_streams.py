"""Output that is closed, broken, full or narrow changes nothing: status 1 means rejected and nothing else."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import pytest

from benchrig.spelling import SPELLED

ACCEPTED = ("demo", "--json")
REJECTED = ("demo", "--condition", "open-coil", "--json")


def run_in_shell(words: tuple[str, ...], redirection: str, home: Path, **environment: str) -> int:
    command = f'"$@" {redirection}; exit "${{PIPESTATUS[0]}}"'
    return subprocess.run(
        ["bash", "-c", command, "bash", sys.executable, "-m", "benchrig", *words],
        env={**os.environ, "BENCHRIG_HOME": str(home), **environment},
        stderr=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        timeout=60,
    ).returncode


@pytest.mark.slow
@pytest.mark.parametrize(
    "redirection", ["| true", "| head -1", ">&-", "2>&-", ">&- 2>&-", "<&- >&- 2>&-", "> /dev/full"]
)
def test_the_status_is_that_of_the_run_wherever_the_output_goes(redirection: str, tmp_path: Path) -> None:
    assert run_in_shell(REJECTED, redirection, tmp_path) == 1


@pytest.mark.slow
def test_an_accepted_valve_has_its_status_although_nobody_reads(tmp_path: Path) -> None:
    assert run_in_shell(ACCEPTED, "| true", tmp_path) == 0


@pytest.mark.slow
@pytest.mark.parametrize("words", [("models", "show", "alder-24"), ("records", "list"), ("--help",)])
def test_a_reader_that_goes_away_rejects_nothing(words: tuple[str, ...], tmp_path: Path) -> None:
    assert run_in_shell(words, "| true", tmp_path) == 0


@pytest.mark.slow
def test_a_closed_output_never_ends_up_in_the_database(tmp_path: Path) -> None:
    run_in_shell(("demo",), ">&- 2>&-", tmp_path)
    assert (tmp_path / "records.sqlite").read_bytes().startswith(b"SQLite format 3\0")
    assert run_in_shell(("records", "show", "1"), "> /dev/null", tmp_path) == 0


@pytest.mark.slow
@pytest.mark.parametrize("encoding", ["cp1252", "ascii", "latin-1"])
def test_a_terminal_without_our_characters_is_told_in_its_own(encoding: str, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "benchrig", "demo"],
        env={**os.environ, "BENCHRIG_HOME": str(tmp_path), "PYTHONIOENCODING": encoding},
        capture_output=True,
        timeout=60,
    )
    assert done.returncode == 0
    shown = done.stdout.decode(encoding)
    assert "+ pass" in shown
    assert "?" not in shown
    assert "\\u" not in shown


def test_each_spelling_is_plain() -> None:
    assert all(plain.isascii() and plain for plain in SPELLED.values())


@pytest.mark.slow
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT"])
@pytest.mark.parametrize("after_s", [0.0, 0.1, 0.25, 0.45, 0.7])
def test_a_stop_at_any_moment_leaves_no_traceback_and_no_verdict(name: str, after_s: float, tmp_path: Path) -> None:
    process = subprocess.Popen(
        # "-X importtime" says on stderr what has been imported: before the first module of ours nothing can be heard.
        [sys.executable, "-X", "importtime", "-m", "benchrig", "rehearse", "--valves", "40", "--workers", "1"],
        env={**os.environ, "BENCHRIG_HOME": str(tmp_path)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert process.stderr is not None
    assert any(b"benchrig.stop_requests" in line for line in process.stderr)
    for pause_s in (after_s, 0.003, 0.003):
        with suppress(subprocess.TimeoutExpired):
            process.wait(pause_s)
        process.send_signal(getattr(signal, name))
    out, err = process.communicate(timeout=60)
    assert b"Traceback" not in out + err
    assert process.returncode in (3, -getattr(signal, name)), (out, err)


STOPPED_WHILE_IMPORTING = """
import os, signal, sys
import benchrig.__main__ as program

wanted = sys.argv.pop()

class Stop:
    def find_spec(self, name, path=None, target=None):
        if name == wanted:
            os.kill(os.getpid(), signal.SIGTERM)

sys.meta_path.insert(0, Stop())
program.main()
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    "imported", ["benchrig.cli.standard_streams", "click", "benchrig.cli.lazy_group", "benchrig.cli.bench"]
)
@pytest.mark.parametrize("wanted", [True, False])
def test_a_stop_before_the_command_line_is_there_is_told_as_json_where_that_is_wanted(
    imported: str, wanted: bool, tmp_path: Path
) -> None:
    done = subprocess.run(
        [sys.executable, "-c", STOPPED_WHILE_IMPORTING, "bench", "show", *(["--json"] if wanted else []), imported],
        env={**os.environ, "BENCHRIG_HOME": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 3
    assert "Stopped" in done.stderr
    assert "Traceback" not in done.stderr
    if wanted:
        assert json.loads(done.stdout)["error"].startswith("Stopped")
    else:
        assert done.stdout == ""


def test_what_is_printed_is_what_was_given_brackets_and_colons_too(capsys):
    from benchrig.application.events import BenchOpened, Warned
    from benchrig.cli.bench_display import BenchDisplay
    from benchrig.cli.live_line import LiveLine
    from benchrig.cli.output import plain_console
    from benchrig.cli.run_display import RunDisplay

    console = plain_console(stderr=True)
    RunDisplay(console, LiveLine(console))(Warned("see [reservoir] and [red]cal-0003[/red] :warning:"))
    BenchDisplay(console, LiveLine(console))(BenchOpened("bench [2] :key:", simulated=False))
    said = capsys.readouterr().err
    assert "see [reservoir] and [red]cal-0003[/red] :warning:" in said
    assert "Bench check of bench [2] :key:." in said
