"""`benchrig board install` and `board info` on a fake of a board at its prompt."""

import json

import pytest
from click.testing import CliRunner

from benchrig.cli.board import board as command
from tests.drivers.fake_raw_prompt import FakeRawPrompt


@pytest.fixture
def board(monkeypatch):
    board = FakeRawPrompt()
    monkeypatch.setattr("benchrig.drivers.serial_link.open_serial", lambda _port, _clock: board)
    monkeypatch.setattr("benchrig.clock.RealClock", lambda: board)
    return board


def say(*words):
    return CliRunner().invoke(command, [*words, "--port", "/dev/ttyACM0"])


def test_install_tells_each_file_what_runs_and_the_line_for_the_bench_file(board):
    told = say("install")
    assert told.exit_code == 0, told.output
    assert " 20 of 20  /main.py\n20 files on the board, each the same as here: firmware " in told.output
    assert '[board]:  identity = "R7452D2A"' in told.output
    assert say("info").exit_code == 0


def test_install_as_json(board):
    told = json.loads(say("install", "--json").stdout)
    assert (told["files"], told["strapped"], told["board"]["identity"]) == (20, False, "R7452D2A")
    assert told["board"]["firmware"] == told["firmware"]


def test_install_with_the_strap_on_says_what_is_left_to_do(board):
    board.strap_open = False
    told = say("install")
    assert (told.exit_code, "It runs:" in told.output) == (0, False)
    assert "GP22 is joined to 0 V, so it stays at its prompt: take that off" in told.output


def test_an_install_that_was_cut_off_says_so_and_so_does_info(board):
    board.gone_after = 40_000
    told = say("install")
    assert told.exit_code == 3
    assert "Bench: the board is half installed (" in told.output
    board.gone_after = 1 << 60
    told = say("info")
    assert told.exit_code == 2
    assert "MicroPython's prompt answers there, and no firmware" in told.output
