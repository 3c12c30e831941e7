"""The vectors on MicroPython: prints one JSON object with the number of checks done of each kind, or a traceback.

Written in the board's subset of the language; run by run_on_micropython.mjs.
"""

import binascii
import json

from firmware_protocol import messages as m
from firmware_protocol.board import Board
from firmware_protocol.frame import Decoder, encode, stuff, unstuff
from tests.firmware_protocol.bodies import BODIES, BUILD, CHANNELS, IDENTITY
from tests.firmware_protocol.fake_port import FakePort


def equal(got, expected, why):
    if got != expected:
        raise AssertionError(f"{why}: {got!r} is not {expected!r}")


def check_crc(check):
    equal(binascii.crc32(bytes.fromhex(check["data"])) & 0xFFFFFFFF, int(check["crc"], 16), "check value")


def check_cobs(vector):
    plain, stuffed = bytes.fromhex(vector["plain"]), bytes.fromhex(vector["stuffed"])
    equal(stuff(plain), stuffed, vector["why"])
    equal(unstuff(stuffed), plain, vector["why"])


def check_frame(vector):
    body, wire = bytes.fromhex(vector["body"]), bytes.fromhex(vector["wire"])
    equal(encode(vector["seq"], vector["kind"], body), wire, vector["why"])
    equal(Decoder().feed(wire), [(vector["seq"], vector["kind"], body)], vector["why"])


def check_stream(vector):
    wire = bytes.fromhex(vector["wire"])
    for chunk in (1, 7, 100_000):
        decoder = Decoder()
        got = []
        for at in range(0, len(wire), chunk):
            got += decoder.feed(wire[at : at + chunk])
        # Compared as bytes: b"".hex() is b"" there.
        expected = [(seq, kind, bytes.fromhex(body)) for seq, kind, body in vector["frames"]]
        equal((got, decoder.rejected), (expected, vector["rejected"]), vector["why"])


def check_body(vector):
    make, pack, unpack = BODIES[vector["message"]]
    value, body = make(vector["fields"]), bytes.fromhex(vector["body"])
    equal(pack(value), body, vector["why"])
    equal(unpack(body), value, vector["why"])


def check_bad_body(vector):
    try:
        BODIES[vector["message"]][2](bytes.fromhex(vector["body"]))
    except m.FieldError as error:
        equal(error.offset, vector["offset"], vector["why"])
    else:
        raise AssertionError(vector["why"])


def check_dialogue(steps):
    port = FakePort()
    board = Board(port, IDENTITY, BUILD, CHANNELS)
    for step in steps:
        port.us, port.inputs = step["at_us"], step["inputs"]
        port.channels = [step["word"], 0x4000, 0x4000, 0x4000]
        answer = board.receive(bytes.fromhex(step["request"]))
        equal((answer, port.outputs), (bytes.fromhex(step["answer"]), step["outputs"]), step["why"])


def check_over_current():
    """Steps through the samples of channel 0 alone, which MicroPython does in its own way."""
    port = FakePort()
    port.sample = lambda channel, index: 0x8000 if (channel, index) == (0, 40) else 0xFFF0 * channel
    board = Board(port, IDENTITY, BUILD, CHANNELS)
    board.receive(encode(1, m.HELLO, b""))
    board.receive(encode(2, m.ARM, m.pack_arm(10_000, 1000, 0x8000)))
    board.receive(encode(3, m.CAPTURE, m.pack_capture(m.Capture(1, 3, 1000, 100, 10, m.COIL, m.NEVER, 0))))
    for us, outputs, cause in ((10_000, m.COIL, 0), (39_999, m.COIL, 0), (90_000, 0, m.CAUSE_OVER_CURRENT)):
        port.us = us
        board.tick()
        equal((port.outputs, board.cause), (outputs, cause), f"over-current at {us} us")


def main(path):
    with open(path) as file:
        vectors = json.load(file)
    check_crc(vectors["crc_check"])
    checks = {
        "cobs": check_cobs,
        "frames": check_frame,
        "streams": check_stream,
        "bodies": check_body,
        "bad_bodies": check_bad_body,
    }
    done = {}
    for name in checks:
        for vector in vectors[name]:
            checks[name](vector)
            done[name] = done.get(name, 0) + 1
    check_dialogue(vectors["dialogue"])
    done["dialogue"] = len(vectors["dialogue"])
    check_over_current()
    print(json.dumps(done))
