"""A small fake of MicroPython's raw prompt: programs run here, on files in a dictionary. Time passes by reading only.

Not modelled: how long flash and compiling take, the memory, and what differs between the two Pythons; the emulated
chip has those (tests/emulated_chip/).
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import io
import re
import types
from collections.abc import Callable
from typing import Any

from firmware_protocol import messages as m
from firmware_protocol.board import Board
from firmware_protocol.rp2040 import firmware_files
from tests.firmware_protocol.bodies import CHANNELS
from tests.firmware_protocol.fake_port import FakePort

OPENED = b"raw REPL; CTRL-B to exit\r\n>"
FRIENDLY = b"MicroPython v1.25.0 on 2025-04-15; a board\r\n>>> "


class FakeRawPrompt:
    """A board at its prompt, and the link to it; keeps ByteLink and Clock.

    Attributes
    ----------
    files : dict of str to bytes
        Of its file system.
    room : int
        Bytes that still fit.
    restarts : int
        How often it was started anew.
    on_write : callable
        Given (path, bytes) of each write to a file, gives the bytes that arrive on the flash.
    gone_after : int
        Bytes from the host after which the cable is out.
    firmware : Board or None
        What runs in place of the prompt; for Ctrl-C to end it take it away.
    """

    name = "a board at its prompt"

    def __init__(self, *, version: tuple[int, int] = (1, 25), machine: str = "Raspberry Pi Pico with RP2040") -> None:
        self.version, self.machine = version, machine
        self.files: dict[str, bytes] = {}
        self.folders: set[str] = set()
        self.room = 1_000_000
        self.strap_open = True
        self.restarts = 0
        self.on_write: Callable[[str, bytes], bytes] = lambda _path, data: data
        self.gone_after = 1 << 60
        self.answers_prompt = True
        self.firmware: Board | None = None
        self.levels = dict.fromkeys(range(2, 8), 1)  # whatever ran before has left everything on
        self._t_s = 0.0
        self._raw = False
        self._typed = bytearray()
        self._said = bytearray()
        self._names: dict[str, Any] = {}

    # ---- clock and link

    def now(self) -> float:
        return self._t_s

    def sleep_until(self, t: float) -> None:
        self._t_s = max(self._t_s, t)

    def write(self, data: bytes) -> None:
        self.gone_after -= len(data)
        if self.gone_after < 0:
            raise OSError(errno.EIO, "Input/output error")
        if self.firmware is not None:
            self._said += self.firmware.receive(data)
            return
        for typed in re.split(rb"([\x01-\x04])", data) if self.answers_prompt else []:
            self._key(typed)

    def read(self, deadline: float) -> bytes:
        if not self._said:
            self._t_s = max(self._t_s, deadline)
        piece = bytes(self._said[:13])  # cut anywhere
        del self._said[:13]
        return piece

    def close(self) -> None:
        pass

    # ---- the prompt

    def _key(self, key: bytes) -> None:
        if key == b"\x03":
            self._typed.clear()
            self._said += b"\r\n>" if self._raw else b"\r\n>>> "
        elif key == b"\x01":
            self._raw = True
            self._typed.clear()
            self._said += b"\r\n" + OPENED
        elif key == b"\x02":
            self._raw = False
            self._said += b"\r\n" + FRIENDLY
        elif key != b"\x04":
            self._typed += key  # or several
        elif self._raw:
            self._said += b"OK" + self._executed(self._typed.decode()) + b"\x04>"
            self._typed.clear()
        else:
            self.restarts += 1
            self._names.clear()
            self._said += b"MPY: soft reboot\r\n"
            self.start()

    def start(self) -> None:
        """Run what is on the board: the firmware if /main.py is there and the strap is off."""
        self.firmware = None
        if "/main.py" in self.files and self.strap_open:
            started = (m.RESET_POWER, b"", firmware_files.digest(hashlib.sha256, self._content), "MicroPython")
            self.firmware = Board(FakePort(), b"R7452D2A", 2, CHANNELS, started)

    def _content(self, path: str) -> bytes:
        if path not in self.files:
            raise OSError(errno.ENOENT)
        return self.files[path]

    def _executed(self, program: str) -> bytes:
        out, wrong = io.StringIO(), ""
        self._names["__builtins__"] = {
            **vars(__import__("builtins")),
            "__import__": self._imported,
            "open": lambda path, mode: FakeFile(self, path, mode),
        }
        with contextlib.redirect_stdout(out):
            try:
                exec(program, self._names)
            except Exception as error:  # noqa: BLE001  # whatever it is, the prompt prints it
                wrong = f"Traceback (most recent call last):\r\n{type(error).__name__}: {error}\r\n"
        return out.getvalue().replace("\n", "\r\n").encode() + b"\x04" + wrong.encode()

    def _imported(self, name: str, *_: object) -> Any:
        made = {
            "sys": {
                "implementation": types.SimpleNamespace(
                    name="micropython", version=(*self.version, 0, ""), _machine=self.machine
                )
            },
            "os": {"remove": self._remove, "mkdir": self._mkdir, "stat": self._stat, "statvfs": self._statvfs},
            "machine": {"Pin": self._pin()},
            "hashlib": {"sha256": hashlib.sha256},
        }
        return types.SimpleNamespace(**made[name]) if name in made else __import__(name)

    def _pin(self) -> Any:
        level, levels = int(self.strap_open), self.levels

        class Pin:
            IN, OUT, PULL_UP = 0, 1, 1

            def __init__(self, number: int, mode: int, _pull: int = 0, value: int | None = None) -> None:
                assert (mode == self.IN) == (number == 22)
                if value is not None:
                    levels[number] = value

            def value(self) -> int:
                return level

        return Pin

    def _remove(self, path: str) -> None:
        if path not in self.files:
            raise OSError(errno.ENOENT)
        self.room += len(self.files.pop(path))

    def _mkdir(self, path: str) -> None:
        if path in self.folders:
            raise OSError(errno.EEXIST)
        self.folders.add(path)

    def _stat(self, path: str) -> tuple[int, ...]:
        if path not in self.files:
            raise OSError(errno.ENOENT)
        return (0x8000, 0, 0, 0, 0, 0, len(self.files[path]), 0, 0, 0)

    def _statvfs(self, _: str) -> tuple[int, ...]:
        return (4096, 4096, 352, self.room // 4096, self.room // 4096, 0, 0, 0, 0, 255)


class FakeFile:
    """A file open on the board."""

    def __init__(self, board: FakeRawPrompt, path: str, mode: str) -> None:
        folder = path.rpartition("/")[0]
        if folder and folder not in board.folders:
            raise OSError(errno.ENOENT)
        self._board, self._path = board, path
        if mode == "wb":
            board.room += len(board.files.get(path, b""))
            board.files[path] = b""
        self._reading = io.BytesIO(board.files[path])

    def write(self, data: bytes) -> int:
        if self._board.room < len(data):
            raise OSError(errno.ENOSPC)
        self._board.room -= len(data)
        self._board.files[self._path] += self._board.on_write(self._path, data)
        return len(data)

    def read(self, most: int) -> bytes:
        return self._reading.read(most)

    def close(self) -> None:
        pass

    def __enter__(self) -> FakeFile:
        return self

    def __exit__(self, *_: object) -> None:
        pass
