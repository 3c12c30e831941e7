"""Trace files from any instrument: what cannot be right is refused by row and column, nothing is mended."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchrig.errors import ConfigError
from benchrig.tracefile import MOST_SAMPLES, read_trace


def write(tmp_path: Path, header: str, rows: np.ndarray | list[str]) -> Path:
    path = tmp_path / "trace.csv"
    lines = rows if isinstance(rows, list) else [",".join(f"{v:.9g}" for v in row) for row in rows]
    path.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    return path


def inrush() -> np.ndarray:
    t = np.arange(-0.02, 0.1, 1e-4)
    return np.column_stack([t, np.where(t > 0, 0.5 * (1 - np.exp(-t / 0.004)), 0.0)])


def refuse(path: Path, *said: str, columns=("time_s", "current_a")) -> ConfigError:
    with pytest.raises(ConfigError) as caught:
        read_trace(path, columns)
    for words in said:
        assert words in str(caught.value)
    assert caught.value.hint
    return caught.value


def test_columns_come_back_as_written_in_any_order_with_others_ignored(tmp_path):
    data = inrush()
    path = write(
        tmp_path, "note, current_a ,time_s", [f"x{i},{row[1]:.12g},{row[0]:.12g}" for i, row in enumerate(data)]
    )
    found = read_trace(path, ("time_s", "current_a"), ("voltage_v",))
    assert np.allclose(found["time_s"], data[:, 0], atol=1e-12)
    assert np.allclose(found["current_a"], data[:, 1], rtol=1e-11)
    assert set(found) == {"time_s", "current_a"}


@pytest.mark.parametrize("ending", ["\r\n", "\r"])
def test_line_endings_and_a_byte_order_mark_do_not_matter(tmp_path, ending):
    path = write(tmp_path, "time_s,current_a", inrush())
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", ending.encode()))
    assert len(read_trace(path, ("time_s", "current_a"))["time_s"]) == len(inrush())


def test_a_missing_column_is_named_with_those_that_are_there(tmp_path):
    refuse(write(tmp_path, "time_s,amps", inrush()), "line 1", "current_a", "amps")


def test_semicolons_are_recognised(tmp_path):
    error = refuse(write(tmp_path, "time_s;current_a", ["0;1"] * 30), "line 1")
    assert "semicolons" in error.hint


def test_a_word_a_short_line_and_a_decimal_comma_are_named_by_line_and_column(tmp_path):
    rows = [",".join(f"{v:.9g}" for v in row) for row in inrush()]
    refuse(write(tmp_path, "time_s,current_a", [*rows[:7], "0.1,abc", *rows[8:]]), "line 9", "current_a", "'abc'")
    refuse(write(tmp_path, "time_s,current_a", [*rows[:7], "0.1", *rows[8:]]), "line 9", "current_a")
    refuse(write(tmp_path, "time_s,current_a", [*rows[:7], "0.1,", *rows[8:]]), "line 9", "current_a")


@pytest.mark.parametrize("value", ["nan", "inf", "-Inf"])
def test_not_a_number_is_named_by_line_and_column(tmp_path, value):
    rows = [",".join(f"{v:.9g}" for v in row) for row in inrush()]
    refuse(
        write(tmp_path, "time_s,current_a", [*rows[:3], f"{inrush()[3, 0]:.9g},{value}", *rows[4:]]),
        "line 5",
        "current_a",
    )


@pytest.mark.parametrize("swap", [(10, 11), (10, 10)])
def test_times_that_do_not_increase_are_named_by_line(tmp_path, swap):
    data = inrush()
    data[swap[1], 0] = data[9, 0]
    refuse(write(tmp_path, "time_s,current_a", data), f"line {swap[1] + 2}", "time_s")


def test_three_samples_and_none_and_an_empty_file_are_too_few(tmp_path):
    refuse(write(tmp_path, "time_s,current_a", inrush()[:3]), "3 samples", "at least 20")
    refuse(write(tmp_path, "time_s,current_a", []), "0 samples")
    empty = tmp_path / "empty.csv"
    empty.write_bytes(b"")
    refuse(empty, "line 1 is empty")


@pytest.mark.slow
def test_ten_million_samples_are_too_many(tmp_path):
    path = tmp_path / "long.csv"
    with path.open("wb") as file:
        file.write(b"time_s,current_a\n")
        for _ in range(100):
            file.write(b"0,0\n" * 100_000)
    refuse(path, "10,000,000 samples", f"{MOST_SAMPLES:,}")


def test_equal_samples_are_no_trace(tmp_path):
    data = inrush()
    data[:, 1] = 0.25
    refuse(write(tmp_path, "time_s,current_a", data), "column current_a", "0.25", "line 2")


def test_an_empty_line_in_the_middle_is_named(tmp_path):
    refuse(write(tmp_path, "time_s,current_a", ["0,1", "1,2", "", "3,4"]), "line 4 is empty")


@pytest.mark.parametrize("content", [b"\x89PNG\r\n\x1a\n\x00\x01", b"\x00" * 100, "données".encode("latin-1") * 10])
def test_a_file_that_is_not_csv_is_refused(tmp_path, content):
    path = tmp_path / "trace.csv"
    path.write_bytes(content)
    refuse(path, "not a CSV file")


def test_a_file_that_is_not_there_is_refused(tmp_path):
    refuse(tmp_path / "no.csv", "No such file")


def test_a_quotation_mark_that_is_never_closed_and_an_endless_cell_are_named(tmp_path):
    rows = [",".join(f"{v:.9g}" for v in row) for row in inrush()] * 20
    rows[40] = '0.1,"0.2'
    refuse(write(tmp_path, "time_s,current_a", [f"{row}{' ' * 20}" for row in rows]), "line")
    refuse(write(tmp_path, "time_s,current_a", [*rows[:9], "0.1," + "7" * 200_000 + "x", *rows[41:]]), "line 11")


@pytest.mark.parametrize("cell", ["x" * 100_000, "\u0664" * 9, "1,5", "--", "1e", "0x10", "1_000"])
def test_a_cell_that_is_no_number_is_told_shortly(tmp_path, cell):
    rows = [",".join(f"{v:.9g}" for v in row) for row in inrush()]
    rows[5] = f'0.1,"{cell}"'
    error = refuse(write(tmp_path, "time_s,current_a", rows), "line 7")
    assert len(str(error)) < 300
