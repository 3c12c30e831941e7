"""The firmware onto a board that has only MicroPython: written over its raw prompt, each file compared by SHA-256.

`/main.py`, which starts the firmware, goes first and comes back last. So a board that was cut off in between stays at
MicroPython's prompt with every output off, however often it is switched on, and a second try takes up all of it.
"""

from __future__ import annotations

import hashlib
import importlib.resources
import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass

from benchrig.clock import Clock
from benchrig.drivers.board_knowledge import BoardReport, board_report
from benchrig.drivers.links import ByteLink
from benchrig.drivers.raw_prompt import UNPLUGGED, RawPrompt
from benchrig.drivers.relay_board import RelayBoard
from benchrig.errors import BenchError, ConfigError, DeviceError, LinkTimeout, aborted
from firmware_protocol.rp2040 import boot, firmware_files, pins

__all__ = ["LEAST_VERSION", "Installed", "firmware_on_this_computer", "install", "report_of_started"]

LEAST_VERSION = (1, 23)
CHIP = "RP2040"
PIECE = 256
"""Bytes of a file in one program: the board compiles each."""
FILE_SLACK = 4096
"""What a file takes on the board beside its bytes, at most: a block of its flash."""
START_S = 6.0
"""From a start to the first answer, at most; 1.6 s on the emulated chip, which has no flash to wait for."""
SERVICE_BOOK = "firmware_protocol/BOARD.md, section 9"


@dataclass(frozen=True)
class Installed:
    """What was put onto a board.

    Attributes
    ----------
    files : int
        How many were written and found the same.
    firmware : str
        Their digest, as `board info` shows it.
    runs_on : str
        MicroPython's version and the board's own name.
    strapped : bool
        The service strap is on: the board stays at its prompt until it is taken off.
    """

    files: int
    firmware: str
    runs_on: str
    strapped: bool


def firmware_on_this_computer() -> dict[str, bytes]:
    """Content of each file by its path on the board, in the order in which they are written."""
    root = importlib.resources.files("firmware_protocol")
    content = {}
    for path in firmware_files.FILES:
        inside = path.removeprefix("/firmware_protocol/") if path.count("/") > 1 else "rp2040" + path
        content[path] = root.joinpath(inside).read_bytes()
    return content


def install(
    link: ByteLink, clock: Clock, *, on_file: Callable[[str, int, int], None] = lambda _path, _done, _of: None
) -> Installed:
    """Put the firmware onto a board whose MicroPython prompt answers, its outputs off, and start it.

    Parameters
    ----------
    on_file : callable
        Told path, number and total as each file has been written and compared.

    Raises
    ------
    ConfigError
        Nothing was changed: no prompt, the firmware runs already, another MicroPython or chip, too little room.
    BenchError
        It ended half-way; `aborted` of the error (and of a KeyboardInterrupt) says what the board is left with.
    """
    prompt = RawPrompt(link, clock)
    if not prompt.open():
        raise _no_prompt(link, clock)
    runs_on = _suitable(prompt)
    files = firmware_on_this_computer()
    _room_for(prompt, files)
    strapped = "0" in prompt.run(f"from machine import Pin\nprint(Pin({pins.SERVICE}, Pin.IN, Pin.PULL_UP).value())")
    done = 0
    try:
        prompt.run(f"from machine import Pin\nfor p in {boot.OUTPUT_PINS}:\n    Pin(p, Pin.OUT, value=0)")
        prompt.run(_MAKE_FOLDERS + "\nremove('/main.py')")
        # What is started by itself comes last; boot.py first of the two, as it switches off.
        for path in sorted(files, key=lambda each: each == "/main.py"):
            _write(prompt, path, files[path])
            done += 1
            on_file(path, done, len(files))
    except (BenchError, KeyboardInterrupt) as error:
        aborted(error).bench_state = (
            f"the board is half installed ({done} of {len(files)} files): it stays at MicroPython's prompt, "
            "outputs off, until 'benchrig board install' has gone through"
        )
        raise
    prompt.start_again()
    digest = firmware_files.digest(hashlib.sha256, files.__getitem__)
    return Installed(len(files), digest.hex(), runs_on, strapped)


def report_of_started(link: ByteLink, clock: Clock, installed: Installed) -> BoardReport:
    """Wait for the board that was just started, and ask what it knows of itself.

    Raises
    ------
    DeviceError
        The firmware's digest is another one.
    ConfigError
        The prompt answers, not the firmware.
    LinkError
        Nothing answers, or the board has gone.
    """
    deadline = clock.now() + START_S
    while clock.now() < deadline:
        with suppress(LinkTimeout):
            RelayBoard(link, clock).hello()
            break
    report = board_report(link, clock)
    if report.firmware != installed.firmware:
        raise DeviceError(
            f"{link.name}: the board runs firmware {report.firmware or 'of no digest'}, not {installed.firmware}.",
            hint="Unplug and plug in, then 'benchrig board info'. If it stays so, install again.",
        )
    return report


_MAKE_FOLDERS = """import os
def remove(path):
    try:
        os.remove(path)
    except OSError as error:
        if error.args[0] != 2:
            raise
def make(path):
    try:
        os.mkdir(path)
    except OSError as error:
        if error.args[0] != 17:
            raise
make('/firmware_protocol')
make('/firmware_protocol/rp2040')"""

_DIGEST = """import hashlib, binascii
h = hashlib.sha256()
with open(%r, 'rb') as f:
    while True:
        b = f.read(512)
        if not b:
            break
        h.update(b)
print(binascii.hexlify(h.digest()).decode())"""


def _no_prompt(link: ByteLink, clock: Clock) -> ConfigError:
    """Why no prompt answered: a board that runs the firmware keeps its port for the protocol."""
    try:
        found = RelayBoard(link, clock).hello()
    except BenchError:
        return ConfigError(
            f"{link.name}: no MicroPython prompt answers.",
            hint=f"Is MicroPython on the board ({SERVICE_BOOK}, step 1)? {UNPLUGGED}",
        )
    return ConfigError(
        f"{link.name}: board {found.identity} runs the firmware already (build {found.build}); nothing was changed.",
        hint=f"To put another one on: join GP{pins.SERVICE} to 0 V, unplug and plug in; then its prompt answers.",
    )


def _suitable(prompt: RawPrompt) -> str:
    """MicroPython's version and the board's name, if the firmware can run there."""
    told = prompt.run(
        "import sys, hashlib\ni = sys.implementation\n"
        "print(i.name, '%d.%d' % i.version[:2], hasattr(hashlib, 'sha256'), getattr(i, '_machine', '?'), sep='|')"
    )
    matched = re.fullmatch(r"(.*)\|(\d+)\.(\d+)\|(True|False)\|(.*)", told.strip())
    if matched is None:
        raise ConfigError(f"{prompt.name}: what answers there is no MicroPython: {told.strip()[:80]!r}.")
    name, major, minor, digests, machine = matched.groups()
    runs_on = f"{name} {major}.{minor}, {machine}"
    wanted = f"MicroPython {LEAST_VERSION[0]}.{LEAST_VERSION[1]} or later for the {CHIP}, with hashlib.sha256"
    if name != "micropython" or (int(major), int(minor)) < LEAST_VERSION or CHIP not in machine or digests == "False":
        raise ConfigError(
            f"{prompt.name}: the board runs {runs_on}; the firmware needs {wanted}. Nothing was changed.",
            hint=f"Put the right MicroPython on it ({SERVICE_BOOK}, step 1). Is it the right board?",
        )
    return runs_on


def _room_for(prompt: RawPrompt, files: Mapping[str, bytes]) -> None:
    """Refuse a board whose file system is too full, files of the same names not counted against it."""
    told = prompt.run(
        "import os\ns = os.statvfs('/')\nn = s[0] * s[3]\n"
        f"for p in {tuple(files)!r}:\n    try:\n        n += os.stat(p)[6]\n    except OSError:\n        pass\nprint(n)"
    )
    room, needed = int(told), sum(len(content) + FILE_SLACK for content in files.values())
    if room < needed:
        raise ConfigError(
            f"{prompt.name}: {room} bytes are free on the board, the firmware needs {needed}. Nothing was changed.",
            hint="Remove other files from the board, or make its file system anew (the board's documentation).",
        )


def _write(prompt: RawPrompt, path: str, content: bytes) -> None:
    prompt.run(f"f = open({path!r}, 'wb')")
    for at in range(0, len(content), PIECE):
        prompt.run(f"f.write({content[at : at + PIECE]!r})")
    prompt.run("f.close()")
    found = prompt.run(_DIGEST % path).strip()
    wanted = hashlib.sha256(content).hexdigest()
    if found != wanted:
        raise DeviceError(
            f"{prompt.name}: {path} reads back otherwise than it was written "
            f"(SHA-256 {found[:16]}, wanted {wanted[:16]}).",
            hint="Try again with another cable. If it comes again, the board's flash is worn: take another board.",
        )
