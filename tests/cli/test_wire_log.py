"""`--wire-log` never destroys a file."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from click.testing import CliRunner

from benchrig.application.paths import store_path
from benchrig.application.wire_log_file import open_wire_log
from benchrig.cli import cli
from benchrig.drivers.wire_log import WireLog
from benchrig.errors import ConfigError
from benchrig.records import Store
from tests.reports.sample_record import record_into

RUN = ("qualify", "--model", "alder-24", "--tag", "T", "--simulated", "--wire-log")


def earlier_log(path: Path) -> None:
    text = io.StringIO()
    WireLog(text).frame(0.25, ">", 7, 0x01, b"")
    path.write_text(text.getvalue())


@pytest.mark.parametrize("overwrite", [True, False])
def test_the_store_is_no_wire_log_whatever_is_asked_for(overwrite: bool) -> None:
    record_into(Store(store_path()).recorder(), "aborted")
    before = store_path().read_bytes()
    done = CliRunner().invoke(cli, [*RUN, str(store_path()), *(["--overwrite"] if overwrite else [])])
    assert done.exit_code == 2
    assert "it is left as it is" in done.stderr
    assert store_path().read_bytes() == before


def test_an_earlier_log_gives_way_only_when_asked(tmp_path: Path) -> None:
    log = tmp_path / "wire.log"
    with open_wire_log(log, overwrite=False) as file:
        file.write("")
    earlier_log(log)
    with pytest.raises(ConfigError, match="an earlier wire log") as caught:
        open_wire_log(log, overwrite=False)
    assert "--overwrite" in caught.value.hint
    with open_wire_log(log, overwrite=True):
        pass
    assert log.read_bytes() == b""


@pytest.mark.parametrize("content", [b"[bench]\nname = 1\n", b"\x89PNG", b"SQLite format 3\0", b" 0.1 > 07"])
def test_no_other_file_is_written_over(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "kept"
    path.write_bytes(content)
    with pytest.raises(ConfigError, match="something else"):
        open_wire_log(path, overwrite=True)
    assert path.read_bytes() == content


def test_a_folder_or_a_path_that_is_none_is_told(tmp_path: Path) -> None:
    for path in (tmp_path, tmp_path / "no" / "such" / "folder"):
        with pytest.raises(ConfigError, match="Wire log"):
            open_wire_log(path, overwrite=True)


def test_a_device_may_take_the_log() -> None:
    with open_wire_log(Path("/dev/null"), overwrite=False) as file:
        file.write("x\n")
