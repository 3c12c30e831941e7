"""The worked trace of PROTOCOL.md section 9, from the real code: ``python -m tests.firmware_protocol.make_trace``."""

import sys
from pathlib import Path

from firmware_protocol import messages as m
from firmware_protocol.board import Board
from firmware_protocol.frame import Decoder, encode
from tests.firmware_protocol.fake_port import FakePort

PAGE = Path(__file__).parents[2] / "firmware_protocol" / "PROTOCOL.md"
BEGIN, END = "```text\n", "```\n"
CHANNELS = ((m.COIL_CURRENT, 12, 3300), (m.PRESSURE, 16, 3300), (m.SUPPLY, 12, 3300), (m.AMBIENT, 12, 3300))
NAMES = {m.HELLO: "HELLO", m.STATUS: "STATUS", m.ARM: "ARM", m.SET: "SET", m.CLEAR: "CLEAR"}
NAMES.update({m.CAPTURE: "CAPTURE", m.PROGRESS: "PROGRESS", m.BLOCK: "BLOCK"})


class Talk:
    """Speaks to a board on the fake port and writes down every frame."""

    def __init__(self):
        self.port = FakePort()
        self.port.sample = lambda channel, index: 0x1230 + 16 * index if channel == 0 and 2 < index <= 6 else 0
        self.board = Board(self.port, b"BOARD-01", 7, CHANNELS)
        self.decoder = Decoder()
        self.seq = 0
        self.lines = []

    def note(self, direction, wire):
        seq, kind, body = Decoder().feed(wire)[0]
        name = "REFUSED" if kind == m.REFUSED else NAMES[kind & 0x7F]
        self.lines.append(f"{self.port.us / 1e6:12.6f} {direction} {seq:02x} {name:<9} {body.hex()}".rstrip())
        # In pieces of 32 bytes, to keep the page narrow.
        pieces = [wire[i : i + 32].hex(" ") for i in range(0, len(wire), 32)]
        self.lines += [f"{'':13}  {piece}" for piece in pieces]

    def ask(self, kind, body=b""):
        self.seq += 1
        wire = encode(self.seq, kind, body)
        self.note(">", wire)
        self.note("<", self.board.receive(wire))

    def say(self, words):
        self.lines.append(f"{'':13}# {words}")

    def until(self, us):
        """Let time pass; the board ticks when something is due."""
        due = self.board.next_due_us()
        while due is not None and due <= us:
            self.port.us = max(due, self.port.us)
            self.board.tick()
            due = self.board.next_due_us()
        self.port.us = us
        self.board.tick()


def trace():
    """The text of the worked trace, a line break at the end."""
    talk = Talk()
    talk.say("outputs off, disarmed; then 500 ms host-silent, 1 s coil time, trip at word 0x8000")
    talk.ask(m.HELLO)
    talk.until(2_000)
    talk.ask(m.ARM, m.pack_arm(500, 1000, 0x8000))
    talk.until(4_000)
    talk.say("capture 1: channel 0, 8 samples, 1 ms apart; COIL on at 2, all off at 6")
    talk.ask(m.CAPTURE, m.pack_capture(m.Capture(1, 0x01, 1000, 8, 2, m.COIL, 6, 0)))
    talk.until(7_500)
    talk.ask(m.PROGRESS)
    talk.until(12_000)
    talk.ask(m.PROGRESS)
    talk.until(14_000)
    talk.ask(m.BLOCK, m.pack_block_request(1, 0, 8))
    talk.until(16_000)
    talk.say("COIL and METER together: refused")
    talk.ask(m.SET, m.pack_set(m.COIL | m.METER))
    talk.until(18_000)
    talk.ask(m.SET, m.pack_set(m.COIL))
    talk.until(520_000)
    talk.say("no frame for 500 ms: the board tripped at 0.518; the cause is latched")
    talk.ask(m.STATUS)
    talk.until(522_000)
    talk.ask(m.SET, m.pack_set(m.COIL))
    talk.until(524_000)
    talk.ask(m.CLEAR)
    return "\n".join(talk.lines) + "\n"


def in_page(page):
    """Where the trace stands in the page: (begin, end)."""
    begin = page.index(BEGIN, page.index("\n## 9 ")) + len(BEGIN)
    return begin, page.index(END, begin)


if __name__ == "__main__":
    if "--write" in sys.argv:
        text = PAGE.read_text(encoding="utf-8")
        start, stop = in_page(text)
        PAGE.write_text(text[:start] + trace() + text[stop:], encoding="utf-8")
    else:
        print(trace(), end="")
