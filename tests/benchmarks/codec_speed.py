"""How fast frames are made and opened, against the `cobs` C extension with a C CRC; and how fast a capture streams.

    python tests/benchmarks/codec_speed.py

Both codecs take turns in one run, the best of several rounds each. The capture goes end to end: driver, frames, board,
frames, driver, once in memory and once over a pseudo-terminal with the board in a thread of its own.
"""

from __future__ import annotations

import argparse
import binascii
import os
import pty
import random
import struct
import sys
import threading
import time
import tty
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import cobs.cobs

from benchrig.clock import RealClock
from benchrig.drivers.links import ByteLink
from benchrig.drivers.relay_board import CapturePlan, Channel, RelayBoard
from benchrig.drivers.serial_link import open_serial
from firmware_protocol.board import Board
from firmware_protocol.frame import Decoder, encode
from tests.firmware_protocol.bodies import BUILD, CHANNELS, IDENTITY
from tests.firmware_protocol.fake_port import FakePort

SIZES = (16, 240, 1024)
SAMPLES, PERIOD_US = 32_000, 100


def ours_out(seq: int, kind: int, body: bytes) -> bytes:
    return encode(seq, kind, body)


def theirs_out(seq: int, kind: int, body: bytes) -> bytes:
    raw = bytes((seq, kind)) + body
    return cobs.cobs.encode(raw + struct.pack("<I", binascii.crc32(raw))) + b"\0"


def ours_in() -> Callable[[bytes], object]:
    return Decoder().feed


def theirs_in() -> Callable[[bytes], object]:
    def feed(wire: bytes) -> list[tuple[int, int, bytes]]:
        frames = []
        for piece in wire.split(b"\0"):
            if piece:
                raw = cobs.cobs.decode(piece)
                if struct.unpack("<I", raw[-4:])[0] == binascii.crc32(raw[:-4]):
                    frames.append((raw[0], raw[1], raw[2:-4]))
        return frames

    return feed


def per_second(act: Callable[[int], object], count: int) -> float:
    began = time.perf_counter()
    for number in range(count):
        act(number)
    return count / (time.perf_counter() - began)


def codec(rounds: int) -> None:
    choose = random.Random(1)
    print(f"{'body':>6} {'':8} {'ours, frames/s':>15} {'C, frames/s':>15} {'ratio':>7}")
    for size in SIZES:
        bodies = [choose.randbytes(size) for _ in range(64)]
        wires = [encode(number, 0x8A, body) for number, body in enumerate(bodies)]
        assert wires == [theirs_out(number, 0x8A, body) for number, body in enumerate(bodies)]
        count = 6_000_000 // (600 + size)
        best = dict.fromkeys(("ours make", "C make", "ours open", "C open"), 0.0)
        for _ in range(rounds):
            ours, theirs = ours_in(), theirs_in()
            acts: dict[str, Callable[[int], object]] = {
                "ours make": lambda n, bodies=bodies: ours_out(n & 63, 0x8A, bodies[n & 63]),
                "C make": lambda n, bodies=bodies: theirs_out(n & 63, 0x8A, bodies[n & 63]),
                "ours open": lambda n, wires=wires, feed=ours: feed(wires[n & 63]),
                "C open": lambda n, wires=wires, feed=theirs: feed(wires[n & 63]),
            }
            for name, act in acts.items():
                best[name] = max(best[name], per_second(act, count // 4))
        for what in ("make", "open"):
            ours_s, theirs_s = best[f"ours {what}"], best[f"C {what}"]
            print(f"{size:6} {what:8} {ours_s:15,.0f} {theirs_s:15,.0f} {ours_s / theirs_s:7.2f}")


class Direct:
    """What is written is answered at once."""

    def __init__(self, board: Board) -> None:
        self.name = "memory"
        self._board = board
        self._arriving = b""

    def write(self, data: bytes) -> None:
        self._arriving += self._board.receive(data)

    def read(self, deadline: float) -> bytes:
        data, self._arriving = self._arriving, b""
        return data

    def close(self) -> None:
        pass


def prepared() -> tuple[FakePort, Board, bytes]:
    """A board whose capture memory can hold the samples, its words ready beforehand as on a board with DMA."""
    port = FakePort(capture_words=2 * SAMPLES)
    words = random.Random(2).randbytes(4 * SAMPLES)
    port.capture_block = lambda first, count: words[4 * first : 4 * (first + count)]
    return port, Board(port, IDENTITY, BUILD, CHANNELS), words


def stream(where: str, link: ByteLink, port: FakePort, words: bytes, rounds: int) -> None:
    relay = RelayBoard(link, RealClock())
    relay.hello()
    relay.start_capture(CapturePlan((Channel.COIL_CURRENT, Channel.PRESSURE), PERIOD_US, SAMPLES))
    port.us += SAMPLES * PERIOD_US
    recorded_s = SAMPLES * PERIOD_US * 1e-6
    took_s = []
    for _ in range(rounds):
        began = time.perf_counter()
        volts = relay.fetch(0, SAMPLES)
        took_s.append(time.perf_counter() - began)
    assert volts.shape == (SAMPLES, 2)
    assert abs(volts[-1, 1] - struct.unpack("<H", words[-2:])[0] / 65536 * 3.3) < 1e-9
    for name, seconds in (("best", min(took_s)), ("worst", max(took_s))):
        print(f"{where:22} {name:6} {SAMPLES:,} samples of 2 channels, recorded in {recorded_s:.2f} s, streamed in "
              f"{1000 * seconds:.0f} ms: {recorded_s / seconds:.0f} times as fast")  # fmt: skip  # one line of print


def over_terminal(rounds: int) -> None:
    port, board, words = prepared()
    master, slave = pty.openpty()
    tty.setraw(slave)

    def serve() -> None:
        with suppress(OSError):
            while data := os.read(master, 4096):
                answer = board.receive(data)
                while answer:
                    answer = answer[os.write(master, answer) :]

    threading.Thread(target=serve, daemon=True).start()
    link = open_serial(os.ttyname(slave), RealClock())
    stream("over a pseudo-terminal", link, port, words, rounds)
    link.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=5)
    rounds = parser.parse_args().rounds
    print(f"cobs from {cobs.cobs.encode.__module__}")
    codec(rounds)
    port, board, words = prepared()
    stream("in memory", Direct(board), port, words, rounds)
    over_terminal(rounds)


if __name__ == "__main__":
    main()
