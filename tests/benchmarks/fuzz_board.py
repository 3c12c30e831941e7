"""Fuzz decoder and board: random bytes by the million, or guided by coverage (Atheris, `pip install atheris`).

    python tests/benchmarks/fuzz_board.py --bytes 10000000 --seed 1
    python tests/benchmarks/fuzz_board.py --guided 1200 --corpus FOLDER

The first input of the guided run are the files of tests/firmware_protocol/corpus/. Each input is a script: pieces of
raw bytes, whole frames made of what follows, time that passes, pins and words that change. Any exception, an output on
that the rules forbid, and a decoder that holds too much are findings.
"""

from __future__ import annotations

import argparse
import random
import resource
import sys
import tempfile
import time
import tracemalloc
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from firmware_protocol import messages as m
from firmware_protocol.board import Board
from firmware_protocol.frame import MAX_ENCODED, Decoder, encode
from tests.firmware_protocol.bodies import BUILD, CHANNELS, IDENTITY
from tests.firmware_protocol.fake_port import FakePort

CORPUS = Path(__file__).parents[1] / "firmware_protocol" / "corpus"
RAW, FRAME, REPEAT, WAIT, INPUTS, WORD, GOOD = range(7)
GOOD_REQUESTS = (
    (m.HELLO, b""),
    (m.ARM, m.pack_arm(500, 1000, 0x8000)),
    (m.SET, bytes((m.COIL | m.VENT,))),
    (m.CAPTURE, m.pack_capture(m.Capture(1, 3, 1000, 50, 5, m.COIL, 20, 0))),
    (m.BLOCK, m.pack_block_request(1, 0, 4)),
    (m.PROGRESS, b""),
    (m.READ, m.pack_read(15, 20)),
    (m.CLEAR, b""),
    (m.DISARM, b""),
    (m.STATUS, b""),
)


class Watched:
    """A board whose pins are looked at after every act, and a decoder that hears the same bytes and the answers."""

    def __init__(self) -> None:
        self.port = FakePort()
        self.board = Board(self.port, IDENTITY, BUILD, CHANNELS)
        self.host = Decoder()
        self.other = Decoder()
        self.seq = 0
        self.last = b""
        self.bytes = 0

    def hear(self, wire: bytes) -> None:
        self.bytes += len(wire)
        self.other.feed(wire)
        answers = self.board.receive(wire)
        frames = self.host.feed(answers)
        if self.host.rejected or (bool(frames) != bool(answers)):
            raise AssertionError("the board said what is no frame")
        self.look()

    def look(self) -> None:
        board, port = self.board, self.port
        if port.outputs & (m.COIL | m.METER) == m.COIL | m.METER:
            raise AssertionError("coil supply and meter together")
        if port.outputs and not board.armed:
            raise AssertionError(f"outputs {port.outputs:#x} on a board that is not armed")
        if len(board._decoder._held) > MAX_ENCODED:
            raise AssertionError(f"the decoder holds {len(board._decoder._held)} bytes")
        port.written.clear()

    def wait(self, us: int) -> None:
        self.port.us += us
        self.board.tick()
        due = self.board.next_due_us()
        if due is not None and due <= self.port.us:
            raise AssertionError("something due was left undone")
        self.look()

    def obey(self, script: bytes) -> None:
        """Act out one script."""
        at = 0
        while at + 1 < len(script):
            what, size = script[at] % 7, script[at + 1]
            at += 2
            if what == RAW:
                self.hear(script[at : at + size])
                at += size
            elif what == FRAME:
                body = script[at + 1 : at + 1 + size % 32]
                kind = script[at] if at < len(script) else 0
                at += 1 + size % 32
                self.ask(kind, body)
            elif what == REPEAT:
                before = self.port.outputs
                self.hear(self.last)
                if self.port.outputs & ~before:
                    raise AssertionError("a repeat switched something on")
            elif what == WAIT:
                self.wait(size * size * 40)
            elif what == INPUTS:
                self.port.inputs = size & 3
            elif what == WORD:
                self.port.channels[0] = size << 8
            else:
                self.ask(*GOOD_REQUESTS[size % len(GOOD_REQUESTS)])

    def ask(self, kind: int, body: bytes) -> None:
        self.seq = (self.seq + 1) % 256
        self.last = b"\0" + encode(self.seq, kind, body)
        self.hear(self.last)


def random_bytes(total: int, seed: int) -> None:
    """Noise, damaged frames and whole frames until so many bytes have been heard; one board all the way."""
    choose = random.Random(seed)
    watched = Watched()
    tracemalloc.start()
    early = now = 0
    print(f"{'bytes heard':>12} {'held, bytes':>12} {'peak, bytes':>12}")
    began = time.perf_counter()
    next_mark = total // 10
    while watched.bytes < total:
        dice = choose.random()
        if dice < 0.5:
            watched.hear(choose.randbytes(choose.choice((1, 7, 64, 700, 3000))))
        elif dice < 0.7:  # a whole frame, then damaged
            wire = bytearray(
                encode(choose.randrange(256), choose.randrange(16), choose.randbytes(choose.randrange(1025)))
            )
            for _ in range(choose.randrange(4)):
                wire[choose.randrange(len(wire))] = choose.randrange(256)
            watched.hear(bytes(wire))
        elif dice < 0.9:
            kind = choose.choice(list(m.REQUEST_BYTES))
            watched.ask(kind, choose.randbytes(m.REQUEST_BYTES[kind]))
        else:
            watched.obey(bytes((GOOD, choose.randrange(10), WAIT, choose.randrange(256), REPEAT, 0)))
        if watched.bytes >= next_mark:
            now, peak = tracemalloc.get_traced_memory()
            print(f"{watched.bytes:12,} {now:12,} {peak:12,}", flush=True)
            early = early or now
            tracemalloc.reset_peak()
            next_mark += total // 10
    took = time.perf_counter() - began
    print(f"{watched.bytes:,} bytes in {took:.0f} s, {watched.board.rejected:,} damaged pieces, no exception")
    tracemalloc.stop()
    growth = now - early
    print(f"memory held at the end less that at a tenth: {growth:+,} bytes")
    if growth > 4096:
        sys.exit("memory grows")


def one_script(script: bytes) -> None:
    """What the guided fuzzer calls: a board of its own for each script."""
    Watched().obey(script)


def guided(seconds: float, corpus: Path | None) -> None:
    """Let Atheris look for scripts that reach new code; new ones are added to a copy of the corpus, or to `corpus`."""
    import atheris

    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    import firmware_protocol.board as board
    import firmware_protocol.frame as frame
    import firmware_protocol.messages as messages
    import firmware_protocol.repeats as repeats
    import firmware_protocol.running_capture as running_capture

    for module in (frame, messages, repeats, running_capture, board):
        for thing in list(vars(module).values()):
            if getattr(thing, "__module__", "") != module.__name__:
                continue
            if isinstance(thing, type):
                for name, method in list(vars(thing).items()):
                    if callable(method) and hasattr(method, "__code__"):
                        setattr(thing, name, atheris.instrument_func(method))
            elif hasattr(thing, "__code__"):
                setattr(module, thing.__name__, atheris.instrument_func(thing))
    folder = corpus or Path(tempfile.mkdtemp(prefix="corpus-"))
    folder.mkdir(parents=True, exist_ok=True)
    print(f"resident before: {before} kB; new inputs go to {folder}", flush=True)
    options = ["-max_len=2048", "-print_final_stats=1", "-rss_limit_mb=1000", "-seed=1"]
    options += [f"-max_total_time={seconds:.0f}", f"-artifact_prefix={folder}/finding-"]
    atheris.Setup([sys.argv[0], str(folder), str(CORPUS), *options], one_script)
    atheris.Fuzz()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--bytes", type=int, default=10_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guided", type=float, metavar="SECONDS")
    parser.add_argument("--corpus", type=Path, help="where new inputs are kept; a temporary folder by default")
    options = parser.parse_args()
    if options.guided:
        guided(options.guided, options.corpus)
    else:
        random_bytes(options.bytes, options.seed)


if __name__ == "__main__":
    main()
