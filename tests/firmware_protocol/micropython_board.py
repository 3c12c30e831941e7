"""The board on MicroPython under node, standing in for firmware_protocol.board.Board in the simulated bench."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterable
from pathlib import Path

from firmware_protocol.typed import Port
from tests.helpers import absent, need_program

REPOSITORY = Path(__file__).parents[2]


class MicroPythonBoard:
    """One board in an interpreter of its own; every byte to and from it is handled there.

    Attributes
    ----------
    interpreter : str
        What the other end says it is.
    heard, said : int
        Bytes that went in and came out.
    """

    def __init__(
        self,
        port: Port,
        identity: bytes,
        build: int,
        channels: Iterable[tuple[int, int, int]],
        _started: object = None,
        *,
        folder: str,
        node: str,
    ) -> None:
        self._port = port
        script = Path(__file__).with_name("board_on_micropython.mjs")
        self._process = subprocess.Popen(
            [node, str(script), folder, str(REPOSITORY)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        self.heard = self.said = 0
        table = " ".join(f"{quantity},{bits},{full_mv}" for quantity, bits, full_mv in channels)
        self._send(f"{port.capture_words} {identity.hex()} {build} {table}")
        self.interpreter, *first = self._until_done().split(" ")
        self._note(first)

    def receive(self, data: bytes) -> bytes:
        self.heard += len(data)
        self._send(f"receive {self._port.now_us()} {self._port.read_inputs()} {data.hex()}")
        answer = self._note(self._until_done().split(" "))
        self.said += len(answer)
        return answer

    def tick(self) -> None:
        self._send(f"tick {self._port.now_us()} {self._port.read_inputs()}")
        self._note(self._until_done().split(" "))

    def next_due_us(self) -> int | None:
        return self._due_us

    def close(self) -> None:
        """End the interpreter."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(timeout=10)
        self._process.stdout.close()

    def _note(self, words: list[str]) -> bytes:
        outputs, cause, due_us, answer = words[1:]
        self.outputs, self.cause = int(outputs), int(cause)
        self._due_us = None if due_us == "-1" else int(due_us)
        return bytes.fromhex(answer)

    def _send(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(line.encode() + b"\n")
        self._process.stdin.flush()

    def _until_done(self) -> str:
        assert self._process.stdout is not None
        while True:
            line = self._process.stdout.readline().decode().rstrip("\n")
            if not line:
                raise AssertionError(f"the interpreter has gone: status {self._process.wait(timeout=10)}")
            if "done " in line:
                return line
            self._send(self._served(line.split(" ")))

    def _served(self, words: list[str]) -> str:
        what, numbers = words[0], [int(word) for word in words[1:]]
        port = self._port
        if what == "w":
            port.write_outputs(*numbers)
        elif what == "c":
            return str(port.read_channel(*numbers))
        elif what == "start":
            try:
                port.capture_start(*numbers)
            except ValueError:
                return "refused"
        elif what == "recorded":
            return str(port.capture_recorded())
        elif what == "block":
            return port.capture_block(*numbers).hex()
        else:
            port.capture_stop()
        return ""


def micropython() -> tuple[str, str]:
    """Folder of MicroPython and path of node; skips the test where they are absent."""
    folder = os.environ.get("BENCHRIG_MICROPYTHON")
    if not folder:
        absent("BENCHRIG_MICROPYTHON does not name the folder of MicroPython for node")
    return str(folder), need_program("node")
