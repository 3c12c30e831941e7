"""The firmware onto a board that has only MicroPython, on a fake prompt (tests/emulated_chip/ has the real one)."""

import hashlib

import pytest

from benchrig.drivers.board_install import firmware_on_this_computer, install, report_of_started
from benchrig.drivers.board_knowledge import board_report
from benchrig.errors import BenchError, ConfigError, DeviceError, LinkError, LinkTimeout, aborted
from firmware_protocol.rp2040 import firmware_files
from simulators.entry import open_bench
from tests.drivers.fake_raw_prompt import FakeRawPrompt

FILES = firmware_on_this_computer()


def test_every_file_arrives_and_the_board_is_started():
    board, told = FakeRawPrompt(), []
    done = install(board, board, on_file=lambda *of: told.append(of))
    assert board.files == FILES
    assert set(board.levels.values()) == {0}
    assert board.restarts == 1
    assert (done.files, done.strapped) == (20, False)
    assert done.firmware == firmware_files.digest(hashlib.sha256, board.files.__getitem__).hex()
    assert done.runs_on == "micropython 1.25, Raspberry Pi Pico with RP2040"
    assert [path for path, _, _ in told] == list(board.files)
    assert told[-1] == ("/main.py", 20, 20)  # what starts the rest comes last
    assert told[-2][0] == "/boot.py"


def test_files_that_are_there_are_replaced_and_others_stay():
    board = FakeRawPrompt()
    board.folders.add("/firmware_protocol")
    board.files = {"/main.py": b"an older one", "/notes.txt": b"mine", "/firmware_protocol/frame.py": b"old" * 9000}
    install(board, board)
    assert board.files == FILES | {"/notes.txt": b"mine"}


def test_a_strap_that_is_on_is_told():
    board = FakeRawPrompt()
    board.strap_open = False
    assert install(board, board).strapped


def cut(board):
    board.gone_after = 30_000


def filled(board):
    def write(path, data):
        if path.endswith("board.py"):
            board.room = 0
        return data

    board.on_write = write


def flipped(board):
    def write(path, data):
        return bytes([data[0] ^ 1, *data[1:]]) if path.endswith("knowledge.py") else data

    board.on_write = write


def stopped(board):
    def write(path, data):
        if path.endswith("usb.py"):
            raise KeyboardInterrupt
        return data

    board.on_write = write


@pytest.mark.parametrize(
    ("fault", "kind", "words"),
    [
        (cut, LinkError, "the port failed"),
        (filled, DeviceError, "OSError: 28"),
        (flipped, DeviceError, "/firmware_protocol/knowledge.py reads back otherwise"),
        (stopped, KeyboardInterrupt, None),
    ],
)
def test_a_board_left_half_installed_is_said_to_be_and_does_not_start(fault, kind, words):
    board = FakeRawPrompt()
    install(board, board)  # so there is a firmware that could be started half new, half old
    board.firmware = None
    fault(board)
    with pytest.raises(kind, match=words) as caught:
        install(board, board)
    assert "half installed (" in aborted(caught.value).bench_state
    assert "of 20 files" in aborted(caught.value).bench_state
    assert "/main.py" not in board.files
    assert board.restarts == 1
    # a second try mends it
    board.gone_after, board.room, board.on_write = 1 << 60, 1_000_000, lambda _path, data: data
    install(board, board)
    assert board.files == FILES


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"version": (1, 22)}, "micropython 1.22.*1.23 or later"),
        ({"version": (0, 99)}, "micropython 0.99"),
        ({"machine": "Generic board with ESP32"}, "with ESP32; the firmware needs .* for the RP2040"),
    ],
)
def test_another_micropython_or_chip_is_refused_before_anything_is_changed(given, words):
    board = FakeRawPrompt(**given)
    board.files["/main.py"] = b"somebody's"
    with pytest.raises(ConfigError, match=words) as caught:
        install(board, board)
    assert aborted(caught.value).bench_state == ""
    assert board.files == {"/main.py": b"somebody's"}


def test_a_full_board_is_refused_before_anything_is_changed():
    board = FakeRawPrompt()
    board.room = 50_000
    with pytest.raises(ConfigError, match=r"49152 bytes are free on the board, the firmware needs \d+"):
        install(board, board)
    assert board.files == {}


def test_an_installed_board_counts_its_own_files_as_room():
    board = FakeRawPrompt()
    install(board, board)
    board.firmware, board.room = None, 100_000
    install(board, board)
    assert board.restarts == 2


def test_a_board_that_says_nothing():
    board = FakeRawPrompt()
    board.answers_prompt = False
    with pytest.raises(ConfigError, match="no MicroPython prompt answers") as caught:
        install(board, board)
    assert "step 1" in caught.value.hint


def test_a_board_that_runs_the_firmware_is_left_as_it_is():
    opened = open_bench({})
    with pytest.raises(ConfigError, match="board BRSIM001 runs the firmware already") as caught:
        install(opened.board_link, opened.clock)
    assert "GP22" in caught.value.hint


def test_a_port_that_fails_is_a_bench_error():
    board = FakeRawPrompt()
    board.gone_after = 0
    with pytest.raises(BenchError, match="the port failed"):
        install(board, board)


def test_the_started_board_is_asked_what_it_runs():
    board = FakeRawPrompt()
    done = install(board, board)
    assert report_of_started(board, board, done).firmware == done.firmware


def test_a_started_board_with_other_firmware_or_none_is_told():
    board = FakeRawPrompt()
    done = install(board, board)
    board.files["/firmware_protocol/rp2040/pins.py"] += b"#"
    board.start()
    with pytest.raises(DeviceError, match=f"runs firmware [0-9a-f]+, not {done.firmware}"):
        report_of_started(board, board, done)
    del board.files["/main.py"]
    board.start()
    with pytest.raises(ConfigError, match="MicroPython's prompt answers there, and no firmware"):
        report_of_started(board, board, done)


def test_a_board_at_its_prompt_is_told_from_one_that_is_not_there():
    with pytest.raises(ConfigError, match="MicroPython's prompt answers there, and no firmware") as caught:
        board_report(board := FakeRawPrompt(), board)
    assert "board install" in caught.value.hint
    board.answers_prompt = False
    with pytest.raises(LinkTimeout):
        board_report(board, board)
