"""A port whose pins are at the other end of a pipe, and the board on it; runs on MicroPython.

Time and inputs come with each message and do not change while it is worked on. See board_on_micropython.mjs.
"""

import binascii
import sys

from firmware_protocol.board import Board

CAPTURE_START_REFUSED = "refused"


class FarPort:
    def __init__(self, wire, us, inputs, capture_words):
        self.wire = wire
        self.us = us
        self.inputs = inputs
        self.capture_words = capture_words

    def now_us(self):
        return self.us

    def read_inputs(self):
        return self.inputs

    def write_outputs(self, mask):
        self.wire.ask(f"w {mask}")
        return self.us

    def read_channel(self, index):
        return int(self.wire.ask(f"c {index}"))

    def capture_start(self, channel_mask, period_us, samples):
        if self.wire.ask(f"start {channel_mask} {period_us} {samples}") == CAPTURE_START_REFUSED:
            raise ValueError("too fast")
        return self.us

    def capture_recorded(self):
        return int(self.wire.ask("recorded"))

    def capture_block(self, first, count):
        return binascii.unhexlify(self.wire.ask(f"block {first} {count}"))

    def capture_stop(self):
        self.wire.ask("stop")


_made = []


def begin(line):
    """Make the board: "CAPTURE_WORDS IDENTITY BUILD QUANTITY,BITS,MV ..."."""
    import wire  # given by board_on_micropython.mjs; not there for whoever only collects tests

    words = line.split(" ")
    channels = [tuple([int(number) for number in entry.split(",")]) for entry in words[3:]]
    port = FarPort(wire, 0, 3, int(words[0]))
    board = Board(port, binascii.unhexlify(words[1]), int(words[2]), channels)
    _made.append(port)
    _made.append(board)
    return f"{sys.implementation[0]} {done(b'')}"


def obey(line):
    """Carry out one message; return what is to be said at its end."""
    words = line.split(" ")
    port, board = _made
    port.us = int(words[1])
    port.inputs = int(words[2])
    if words[0] == "receive":
        return done(board.receive(binascii.unhexlify(words[3])))
    board.tick()
    return done(b"")


def done(answer):
    board = _made[1]
    due = board.next_due_us()
    hexed = binascii.hexlify(answer).decode()
    return f"done {board.outputs} {board.cause} {-1 if due is None else due} {hexed}"
