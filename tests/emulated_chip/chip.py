"""The emulated chip as tests use it: it moves when told to, and says what its pins did and when (chip.mjs)."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Callable
from pathlib import Path

from tests.helpers import absent, need_program

MS, US = 1_000_000, 1_000  # nanoseconds
BOOT_NS = 4_000 * MS
"""No board takes longer from power-up to its main loop."""
INPUT_PINS = {"estop": 10, "guard": 11, "service": 22}


def emulator_folder() -> Path:
    """What fetch.sh made; skips the test where it is absent."""
    folder = os.environ.get("BENCHRIG_RP2040")
    if not folder:
        absent("BENCHRIG_RP2040 does not name the folder that tests/emulated_chip/fetch.sh made")
    assert folder is not None
    return Path(folder)


class Chip:
    """One chip with its flash. A context manager; leaving it ends the emulator.

    Attributes
    ----------
    now_ns : int
        Its time since power-up, in nanoseconds.
    changes : list of (int, int)
        Instant and mask of the outputs, whenever that was a new one; bit 0 stands for GP2.
    resets : list of (int, str)
        When the watchdog has reset the chip, and whether its time was up ("timer") or the program wanted it ("forced").
    on_conversion : callable
        Gives the 12-bit word for (channel, instant); while it is set the converter asks.
    on_outputs : callable
        Told mask and instant of each change.
    """

    def __init__(self, flash: Path) -> None:
        folder = emulator_folder()
        script = Path(__file__).with_name("chip.mjs")
        self._process = subprocess.Popen(
            [need_program("node"), str(script), str(folder), str(flash)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        self.now_ns = 0
        self.changes: list[tuple[int, int]] = []
        self.resets: list[tuple[int, str]] = []
        self._said = bytearray()
        self._on_conversion: Callable[[int, int], int] | None = None
        self.on_outputs: Callable[[int, int], None] = lambda _mask, _at_ns: None
        for name in ("estop", "guard", "service"):
            self.input(name, closed=name != "service")

    def __enter__(self) -> Chip:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the emulator."""
        if self._process.stdin is not None and not self._process.stdin.closed:
            self._process.stdin.close()
            try:
                self._process.wait(timeout=30)
            except subprocess.TimeoutExpired:  # a test ended while it was on its way somewhere
                self._process.kill()
                self._process.wait()
            assert self._process.stdout is not None
            self._process.stdout.close()

    # ---- moving

    def run_until(self, at_ns: int, *, until: Callable[[], bool] = lambda: False) -> None:
        """Let the chip go on to an instant, or until something said over USB makes `until` true."""
        while self.now_ns < at_ns:
            self._send(f"run {at_ns}")
            self._until_done()
            if until():
                return

    def run_for(self, ns: int) -> None:
        """Let the chip go on for so long."""
        self.run_until(self.now_ns + ns)

    def hang(self, ns: int) -> None:
        """Let so much time pass in which the program does nothing, or less if the watchdog resets the chip."""
        self._send(f"stall {self.now_ns + ns}")
        self._until_done()

    @property
    def outputs(self) -> int:
        """Outputs that are driven high now, as the protocol's bits."""
        return self.changes[-1][1] if self.changes else 0

    def power_cycle(self) -> None:
        """Take the supply away and bring it back."""
        self._send("power")
        self._until_done()

    # ---- serial port

    def hear(self, data: bytes) -> None:
        """Bytes from the host; they arrive as the chip goes on."""
        if data:
            self._send(f"hear {data.hex()}")

    def said(self) -> bytes:
        """What has been said over USB since the last time."""
        said = bytes(self._said)
        self._said.clear()
        return said

    @property
    def has_said(self) -> bool:
        """Whether something said waits to be taken."""
        return bool(self._said)

    def let_host_listen(self, *, listens: bool) -> None:
        """Whether the host takes what the board wants to say."""
        self._send(f"deaf {int(not listens)}")

    # ---- pins

    def input(self, name: str, *, closed: bool) -> None:
        """A contact: emergency stop and guard join their pin to 3.3 V, the service strap to 0 V."""
        self._send(f"input {INPUT_PINS[name]} {int(closed != (name == 'service'))}")

    def set_words(self, *words: int) -> None:
        """Twelve-bit words that channels 0 to 3 read from now on."""
        self._send("adc " + " ".join(str(word) for word in words))

    def count_conversions(self) -> None:
        """The n-th conversion of a channel from now on reads n modulo 4096; forget the conversions before."""
        self._send("adc count")
        self.conversions()

    def conversions(self) -> list[tuple[int, int]]:
        """Instant and channel of each conversion since the last time this was asked."""
        self._send("conversions")
        answer = json.loads(self._line())
        self._until_done()
        return [(at_ns, channel) for at_ns, channel in answer]

    @property
    def on_conversion(self) -> Callable[[int, int], int] | None:
        """Who gives the word for a conversion, if not the emulator itself."""
        return self._on_conversion

    @on_conversion.setter
    def on_conversion(self, give: Callable[[int, int], int]) -> None:
        self._on_conversion = give
        self._send("adc ask")

    def peek(self, address: int) -> int:
        """A word of memory, or a register."""
        self._send(f"peek {address}")
        word = int(self._line())
        self._until_done()
        return word

    # ---- the pipe

    def _send(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(line.encode() + b"\n")
        self._process.stdin.flush()

    def _line(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline().decode().rstrip("\n")
        if not line:
            raise AssertionError(f"the emulator has gone: status {self._process.wait(timeout=30)}")
        return line

    def _until_done(self) -> None:
        while True:
            what, *rest = self._line().split(" ")
            if what == "adc":
                assert self._on_conversion is not None
                self._send(str(self._on_conversion(int(rest[0]), int(rest[1]))))
            elif what == "pins":
                self.changes.append((int(rest[1]), int(rest[0])))
                self.on_outputs(int(rest[0]), int(rest[1]))
            elif what == "usb":
                self._said += bytes.fromhex(rest[0])
            elif what == "reset":
                self.resets.append((int(rest[1]), rest[0]))
            else:
                assert what == "done", what
                self.now_ns = int(rest[0])
                return
