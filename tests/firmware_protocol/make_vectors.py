"""Write fixtures/protocol_vectors.json: ``python -m tests.firmware_protocol.make_vectors --write``.

Independent of firmware_protocol on purpose: COBS from the `cobs` package, the CRC from zlib and `crccheck`, which must
agree, and the bodies packed here by hand from the tables of PROTOCOL.md.
"""

import json
import sys
import zlib
from pathlib import Path

from cobs import cobs
from crccheck.crc import Crc32

FILE = Path(__file__).parents[2] / "fixtures" / "protocol_vectors.json"
NEVER = "ff ff ff ff"


def u(value, size):
    """An unsigned number in `size` bytes, little-endian, as hex."""
    return value.to_bytes(size, "little").hex(" ")


def b(*parts):
    return bytes.fromhex(" ".join(parts))


def crc(data):
    value = zlib.crc32(data)
    if Crc32.calc(data) != value:
        raise AssertionError("two CRC libraries disagree")
    return value.to_bytes(4, "little")


def wire(seq, kind, body=b""):
    raw = bytes([seq, kind]) + body
    return cobs.encode(raw + crc(raw)) + b"\0"


def frames():
    rising = bytes(range(1, 255))
    cases = [
        ("no body", 1, 1, b""),
        ("sequence number 0, so the first byte is a zero", 0, 2, b""),
        ("highest sequence number and message number", 255, 255, b""),
        ("one zero byte", 7, 5, b"\0"),
        ("zeros only", 8, 10, bytes(40)),
        ("no zeros", 9, 10, b"\xff" * 40),
        ("longest body, all zero", 10, 138, bytes(1024)),
        ("longest body, no zero: five COBS blocks", 11, 138, b"\x55" * 1024),
        ("the numbers 1 to 254 in a row", 12, 138, rising),
        ("the numbers 1 to 254, then 0, then 1 to 254", 13, 138, rising + b"\0" + rising),
    ]
    # SEQ, KIND and four CRC bytes go into the same COBS block as the body if none of them is zero.
    for length in (246, 247, 248, 249, 250, 251, 252, 253, 254, 255, 502, 503, 756, 757):
        cases.append((f"body of {length} bytes without zero, around a COBS block's end", 14, 138, b"\xa5" * length))
    return [
        {"why": why, "seq": seq, "kind": kind, "body": body.hex(), "wire": wire(seq, kind, body).hex()}
        for why, seq, kind, body in cases
    ]


def stuffing():
    paper = bytes.fromhex("45 00 00 2C 4C 79 00 00 40 06 4F 37")
    cases = [
        ("example of the COBS paper (Cheshire and Baker 1999, figure 3)", paper),
        ("nothing", b""),
        ("one zero", b"\0"),
        ("two zeros", b"\0\0"),
        ("a zero on each side", b"\0\x11\0"),
        ("1 to 254: a full block with nothing after it", bytes(range(1, 255))),
        ("0 to 254", bytes(range(255))),
        ("1 to 255", bytes(range(1, 256))),
        ("2 to 255, then 0", bytes(range(2, 256)) + b"\0"),
        ("3 to 255, then 0 and 1", bytes(range(3, 256)) + b"\0\x01"),
    ]
    for length in (253, 254, 255, 507, 508, 509):
        cases.append((f"{length} bytes without zero", b"\x7e" * length))
        cases.append((f"{length} bytes without zero, then a zero", b"\x7e" * length + b"\0"))
        cases.append((f"a zero, then {length} bytes without", b"\0" + b"\x7e" * length))
    return [{"why": why, "plain": plain.hex(), "stuffed": cobs.encode(plain).hex()} for why, plain in cases]


def streams():
    one, two = wire(1, 2), wire(2, 5, b"\x14")
    wrong = bytearray(wire(3, 5, b"\x14"))
    wrong[3] ^= 0x04
    raw = bytes([4, 2])
    swapped = cobs.encode(raw + crc(raw)[::-1]) + b"\0"
    long_raw = bytes([5, 138]) + b"\x33" * 1025
    too_long = cobs.encode(long_raw + crc(long_raw)) + b"\0"
    short = cobs.encode(b"\x01\x02\x03\x04\x05") + b"\0"
    full = bytes([6, 138]) + b"\x44" * 248
    superfluous = cobs.encode(full + crc(full)) + b"\x01\0"
    cases = [
        ("two frames in a row", one + two, [one, two], 0),
        ("zeros before, between and after", b"\0\0" + one + b"\0" + two + b"\0", [one, two], 0),
        ("noise, its end, then a frame", b"\x31\xfe\x10\0" + one, [one], 1),
        ("noise runs into a frame: that frame is lost, the next is good", b"\x31\xfe\x10" + one + two, [two], 1),
        ("a frame cut off, then a good one", one[:4] + b"\0" + two, [two], 1),
        ("a byte lost", one[:2] + one[3:] + two, [two], 1),
        ("one bit wrong", bytes(wrong) + two, [two], 1),
        ("CRC bytes in the wrong order", swapped + two, [two], 1),
        ("shorter than a frame can be", short + two, [two], 1),
        ("only a length byte", b"\x01\0" + two, [two], 1),
        ("a length byte that points past the end", b"\x09\x01\x02\x03\0" + two, [two], 1),
        ("one byte too long, though the CRC is right", too_long + two, [two], 1),
        ("much too long, then a good one", b"\xaa" * 5000 + b"\0" + two, [two], 1),
        ("a frame without its end is not a frame yet", one[:-1], [], 0),
        ("a superfluous 01 after a full block is taken", superfluous, [wire(6, 138, b"\x44" * 248)], 0),
        ("the same frame twice: both are given, telling repeats is the board's task", two + two, [two, two], 0),
    ]
    return [
        {"why": why, "wire": data.hex(), "frames": [opened(frame) for frame in good], "rejected": rejected}
        for why, data, good, rejected in cases
    ]


def opened(frame):
    raw = cobs.decode(frame[:-1])
    return [raw[0], raw[1], raw[2:-4].hex()]


CHANNELS = [[0, 12, 3300], [1, 16, 3300], [2, 12, 3300], [3, 12, 3300]]
HELLO_BODY = b(
    "01 01", u(7, 4), b"BOARD-01".hex(), "3f", u(4096, 4), u(1024, 2), u(100, 2), u(10_000, 2), u(600_000, 4), "04",
    "00 0c", u(3300, 2), "01 10", u(3300, 2), "02 0c", u(3300, 2), "03 0c", u(3300, 2),
)  # fmt: skip  # one line a table's row
ABOUT_BODY = b(
    u(1, 4), "02", u(3600, 4), u(98_304, 4), u(7, 4), "e6 61 41 03 e7 45 2d 2a", "00" * 8, "01 23 45 67 89 ab cd ef",
    "02", b"v1".hex(),
)  # fmt: skip  # as above
STATUS_BODY = b(u(123_456, 4), "0d 03 01 00 00", u(0, 4))
CAPTURE_BODY = b("05 03", u(20, 4), u(2000, 4), u(100, 4), "11", u(1500, 4), "10")


def bodies():
    """Good bodies: which table, whether it is an answer's, its fields in order."""
    return [
        ["hello", "the demo board", [1, 1, 7, b"BOARD-01".hex(), 0x3F, 4096, 1024, 100, 10_000, 600_000, CHANNELS],
         HELLO_BODY.hex()],
        ["status", "armed, coil and pump on", [123_456, 13, 3, 1, 0, 0, 0], STATUS_BODY.hex()],
        ["status", "tripped by over-current, all bits of the clock set",
         [0xFFFFFFFF, 0, 0, 0, 1, 5, 0xFFFFFFFE], b("ff ff ff ff 00 00 00 01 05 fe ff ff ff").hex()],
        ["arm", "lowest", [100, 1, 1], b(u(100, 2), u(1, 4), u(1, 2)).hex()],
        ["arm", "highest", [10_000, 600_000, 65_535], b(u(10_000, 2), u(600_000, 4), "ff ff").hex()],
        ["set", "nothing", [0], "00"],
        ["set", "everything: the range allows it, the rules do not", [63], "3f"],
        ["read", "two channels", [0b0101, 1000], b("05", u(1000, 2)).hex()],
        ["reading", "largest sum", [1000, [65_535_000, 0]], b(u(1000, 2), u(65_535_000, 4), u(0, 4)).hex()],
        ["capture", "on and off", [5, 3, 20, 2000, 100, 0x11, 1500, 0x10], CAPTURE_BODY.hex()],
        ["capture", "no switch", [0, 2, 1_000_000, 4294, 0xFFFFFFFF, 0, 0xFFFFFFFF, 0],
         b("00 02", u(1_000_000, 4), u(4294, 4), NEVER, "00", NEVER, "00").hex()],
        ["capture", "no switch: outputs are not looked at", [0, 2, 1_000_000, 4294, 0xFFFFFFFF, 255, 0xFFFFFFFF, 255],
         b("00 02", u(1_000_000, 4), u(4294, 4), NEVER, "ff", NEVER, "ff").hex()],
        ["progress", "under way", [5, 1200, 2000, 0, 2000, 0xFFFFFFFF],
         b("05", u(1200, 4), u(2000, 4), "00", u(2000, 4), NEVER).hex()],
        ["block_request", "a full block of one channel", [5, 70_000, 508], b("05", u(70_000, 4), u(508, 2)).hex()],
        ["block", "two samples of two channels", [5, 9, 2, 2, "3412785601009a00"],
         b("05", u(9, 4), u(2, 2), "02", "34 12 78 56 01 00 9a 00").hex()],
        ["refused", "coil and meter together", [5, 8, 3], b("05 08", u(3, 4)).hex()],
        ["about", "everything", [1, 2, 3600, 98_304, 7, "e6614103e7452d2a", "0123456789abcdef", "v1"],
         ABOUT_BODY.hex()],
        ["about", "nothing known", [0, 0, 0, 0, 0, "", "0000000000000000", ""], b("00" * 42).hex()],
        ["self_test", "a pin that stays low, a converter that is right", [3, 1, 0x14, 0x10, 0x3700],
         b(u(3, 2), u(1, 2), "14 10", u(0x3700, 2)).hex()],
    ]  # fmt: skip  # one vector after the other


def bad_bodies():
    """Damaged or forbidden bodies: offset of the field at fault, -1 for a wrong length."""

    def changed(body, offset, *parts):
        new = b(*parts)
        return (body[:offset] + new + body[offset + len(new) :]).hex()

    arm = b(u(500, 2), u(1000, 4), u(40_000, 2))
    progress = b("05", u(1200, 4), u(2000, 4), "00", u(2000, 4), NEVER)
    block = b("05", u(9, 4), u(2, 2), "02", "34 12 78 56 01 00 9a 00")
    return [
        ["hello", "a byte short", -1, HELLO_BODY[:-1].hex()],
        ["hello", "nine channels", 29, changed(HELLO_BODY, 29, "09")],
        ["hello", "a converter of 17 bits", 35, changed(HELLO_BODY, 35, "11")],
        ["status", "a byte too many", -1, STATUS_BODY.hex() + "00"],
        ["status", "an output that does not exist", 4, changed(STATUS_BODY, 4, "40")],
        ["status", "armed is neither 0 nor 1", 6, changed(STATUS_BODY, 6, "02")],
        ["status", "an unknown cause", 8, changed(STATUS_BODY, 8, "06")],
        ["arm", "host-silent limit too short", 0, changed(arm, 0, u(99, 2))],
        ["arm", "host-silent limit too long", 0, changed(arm, 0, u(10_001, 2))],
        ["arm", "no coil time", 2, changed(arm, 2, u(0, 4))],
        ["arm", "coil time too long", 2, changed(arm, 2, u(600_001, 4))],
        ["arm", "an over-current limit that always trips", 6, changed(arm, 6, u(0, 2))],
        ["arm", "a byte short", -1, arm[:-1].hex()],
        ["set", "an output that does not exist", 0, "40"],
        ["set", "nothing at all", -1, ""],
        ["read", "no channel", 0, b("00", u(5, 2)).hex()],
        ["read", "no sample", 1, b("01", u(0, 2)).hex()],
        ["read", "too many samples", 1, b("01", u(1001, 2)).hex()],
        ["reading", "a sum larger than samples allow", 2, b(u(10, 2), u(655_351, 4)).hex()],
        ["capture", "no channel", 1, changed(CAPTURE_BODY, 1, "00")],
        ["capture", "faster than any board", 2, changed(CAPTURE_BODY, 2, u(9, 4))],
        ["capture", "slower than allowed", 2, changed(CAPTURE_BODY, 2, u(1_000_001, 4))],
        ["capture", "no samples", 6, changed(CAPTURE_BODY, 6, u(0, 4))],
        ["capture", "longer than its clock", 6, changed(CAPTURE_BODY, 2, u(1_000_000, 4), u(4295, 4))],
        ["capture", "switch after the last sample", 10, changed(CAPTURE_BODY, 10, u(2000, 4))],
        ["capture", "switch to an output that does not exist", 14, changed(CAPTURE_BODY, 14, "80")],
        ["capture", "release at the switch", 15, changed(CAPTURE_BODY, 15, u(100, 4))],
        ["capture", "release after the last sample", 15, changed(CAPTURE_BODY, 15, u(2000, 4))],
        ["capture", "release without switch", 15, changed(CAPTURE_BODY, 10, NEVER)],
        ["capture", "release to an output that does not exist", 19, changed(CAPTURE_BODY, 19, "40")],
        ["progress", "more recorded than asked for", 1, changed(progress, 1, u(2001, 4))],
        ["progress", "finished is neither 0 nor 1", 9, changed(progress, 9, "02")],
        ["block_request", "no sample", 5, b("05", u(9, 4), u(0, 2)).hex()],
        ["block_request", "more than any block holds", 5, b("05", u(9, 4), u(509, 2)).hex()],
        ["block", "data and count disagree", -1, block[:-2].hex()],
        ["block", "no channels", 7, changed(block, 7, "00")],
        ["refused", "code 0", 1, b("05 00", u(3, 4)).hex()],
        ["about", "a byte short", -1, ABOUT_BODY[:-1].hex()],
        ["about", "a text that is too long", 41, changed(ABOUT_BODY, 41, "41")],
        ["self_test", "a byte short", -1, b(u(3, 2), u(1, 2), "14 10 00").hex()],
        ["self_test", "failed what was not done", 2, b(u(1, 2), u(2, 2), "14 10", u(0x3700, 2)).hex()],
        ["self_test", "an output that does not exist", 5, b(u(3, 2), u(1, 2), "14 40", u(0x3700, 2)).hex()],
    ]


def dialogue():
    """What a board must answer, step by step, on pins and voltages that are given.

    Each step: time in us, inputs, channel 0's word, request, answer (empty: none), outputs afterwards.
    The board has the identity, build, channels and memory of the HELLO body above; its other channels read 0x4000.
    """
    steps = []
    last = {"seq": 0}

    def step(why, at_us, request, answer, outputs, *, inputs=3, word=0x0100):
        steps.append(
            {"why": why, "at_us": at_us, "inputs": inputs, "word": word, "request": request.hex(),
             "answer": answer.hex(), "outputs": outputs}
        )  # fmt: skip  # request and answer side by side

    def ask(why, at_us, kind, request, answer, outputs, *, answer_kind=None, **pins):
        last["seq"] += 1
        seq = last["seq"]
        step(why, at_us, wire(seq, kind, request), wire(seq, answer_kind or kind | 0x80, answer), outputs, **pins)

    def refuse(why, at_us, kind, request, code, detail, outputs, **pins):
        ask(why, at_us, kind, request, b(u(kind, 1), u(code, 1), u(detail, 4)), outputs, answer_kind=0xFF, **pins)

    def status(ms, outputs, armed, *, inputs=3, capturing=0, cause=0, cause_ms=0):
        return b(u(ms, 4), *(u(x, 1) for x in (outputs, inputs, armed, capturing, cause)), u(cause_ms, 4))

    arm = b(u(500, 2), u(2000, 4), u(0x8000, 2))
    step("noise gets no answer", 0, b"\x31\xfe\x10\0", b"", 0)
    ask("state after power-up", 1_000, 2, b"", status(1, 0, 0), 0)
    refuse("ARM before HELLO", 2_000, 3, arm, 4, 0, 0)
    ask("HELLO", 3_000, 1, b"", HELLO_BODY, 0)
    refuse("an output before ARM", 4_000, 5, b"\x01", 5, 0, 0)
    refuse("ARM with the guard open", 5_000, 3, arm, 7, 1, 0, inputs=1)
    refuse("ARM of a wrong length", 6_000, 3, arm + b"\0", 1, 8, 0)
    refuse("an unknown message", 7_000, 77, b"", 2, 0, 0)
    refuse("an answer's number as a request", 8_000, 0x82, b"", 2, 0, 0)
    ask("ARM", 10_000, 3, arm, status(10, 0, 1), 0)
    ask("pump and vent", 20_000, 5, b"\x14", status(20, 0x14, 1), 0x14)
    step("the same again is answered from memory", 30_000, wire(10, 5, b"\x14"),
         wire(10, 0x85, status(20, 0x14, 1)), 0x14)  # fmt: skip  # request and answer side by side
    step("an old request, overtaken by newer ones, is dropped", 31_000, wire(9, 5, b"\0"), b"", 0x14)
    step("so is one 127 behind", 32_000, wire((10 - 127) % 256, 5, b"\0"), b"", 0x14)
    refuse("coil and meter together", 40_000, 5, b"\x13", 8, 0x13, 0x14)
    refuse("an output that does not exist", 41_000, 5, b"\x40", 3, 0, 0x14)
    ask("ten conversions of channels 0 and 1", 50_000, 7, b("03", u(10, 2)),
        b(u(10, 2), u(0x0A00, 4), u(0x28000, 4)), 0x14)  # fmt: skip  # request and answer side by side
    refuse("a channel that the board does not have", 51_000, 7, b("10", u(10, 2)), 3, 0, 0x14)
    refuse("no capture yet", 52_000, 9, b"", 10, 0xFFFFFFFF, 0x14)
    refuse("a capture larger than the memory", 53_000, 8,
           b("01 01", u(100, 4), u(4097, 4), NEVER, "00", NEVER, "00"), 12, 4096, 0x14)  # fmt: skip  # as above
    ask("a capture that switches the coil on at once and off at sample 5", 60_000, 8,
        b("01 01", u(1000, 4), u(10, 4), u(0, 4), "11", u(5, 4), "10"),
        b("01", u(1, 4), u(10, 4), "00", u(0, 4), NEVER), 0x11)  # fmt: skip  # as above
    refuse("another capture while a switch is to come", 62_000, 8,
           b("02 01", u(1000, 4), u(10, 4), NEVER, "00", NEVER, "00"), 13, 1, 0x11)  # fmt: skip  # as above
    refuse("a block beyond what is recorded", 63_000, 10, b("01", u(2, 4), u(3, 2)), 11, 4, 0x11)
    ask("released when due", 65_000, 9, b"", b("01", u(6, 4), u(10, 4), "00", u(0, 4), u(5000, 4)), 0x10)
    ask("finished", 80_000, 9, b"", b("01", u(10, 4), u(10, 4), "01", u(0, 4), u(5000, 4)), 0x10)
    ask("two samples of it", 81_000, 10, b("01", u(8, 4), u(2, 2)),
        b("01", u(8, 4), u(2, 2), "01", "00 01 00 01"), 0x10)  # fmt: skip  # as above
    refuse("a block of another capture", 82_000, 10, b("09", u(0, 4), u(1, 2)), 10, 1, 0x10)
    ask("coil on", 100_000, 5, b"\x11", status(100, 0x11, 1), 0x11)
    ask("over-current trips", 110_000, 2, b"", status(110, 0, 0, cause=5, cause_ms=110), 0, word=0x8000)
    refuse("CLEAR while the current flows on", 111_000, 6, b"", 9, 5, 0, word=0x8000)
    refuse("an output while the cause is latched", 112_000, 5, b"\x10", 6, 5, 0)
    ask("all off is never refused", 113_000, 5, b"\x00", status(113, 0, 0, cause=5, cause_ms=110), 0)
    ask("HELLO keeps the cause", 114_000, 1, b"", HELLO_BODY, 0)
    ask("CLEAR", 115_000, 6, b"", status(115, 0, 0), 0)
    ask("ARM again", 116_000, 3, arm, status(116, 0, 1), 0)
    ask("vent closed", 117_000, 5, b"\x10", status(117, 0x10, 1), 0x10)
    ask("emergency stop", 120_000, 2, b"", status(120, 0, 0, inputs=2, cause=2, cause_ms=120), 0, inputs=2)
    refuse("CLEAR while it is pressed", 121_000, 6, b"", 9, 2, 0, inputs=2)
    ask("CLEAR once it is released", 122_000, 6, b"", status(122, 0, 0), 0)
    ask("ARM once more", 123_000, 3, arm, status(123, 0, 1), 0)
    ask("pump", 124_000, 5, b"\x04", status(124, 4, 1), 4)
    ask("499 ms of silence are allowed", 623_999, 2, b"", status(623, 4, 1), 4)
    step("500 ms are not", 1_123_999, b"", b"", 0)
    ask("the cause is silence", 1_200_000, 2, b"", status(1200, 0, 0, cause=1, cause_ms=1123), 0)
    ask("what the board knows of itself (1.1)", 2_300_000, 11, b"",
        b(u(1, 4), "00", u(2, 4), u(123_456, 4), u(1, 4), "00" * 24, "00"), 0)  # fmt: skip  # as above
    ask("its self-test (1.1)", 2_301_000, 12, b"", b(u(3, 2), u(0, 2), "00 00", u(0x3700, 2)), 0)
    refuse("a self-test of a wrong length", 2_302_000, 12, b"\0", 1, 0, 0)
    return steps


def build():
    """The whole file as text."""
    document = {
        "about": "Golden frames, bodies and a dialogue for firmware_protocol/PROTOCOL.md, version 1.1. Bytes are hex.",
        "made_by": "tests/firmware_protocol/make_vectors.py, with cobs, zlib and crccheck; no code of the protocol",
        "crc_check": {"data": b"123456789".hex(), "crc": f"{Crc32.calc(b'123456789'):08x}"},
        "cobs": stuffing(),
        "frames": frames(),
        "streams": streams(),
        "bodies": [
            {"message": name, "why": why, "fields": fields, "body": body} for name, why, fields, body in bodies()
        ],
        "bad_bodies": [
            {"message": name, "why": why, "offset": offset, "body": body} for name, why, offset, body in bad_bodies()
        ],
        "dialogue": dialogue(),
    }
    return json.dumps(document, indent=1) + "\n"


if __name__ == "__main__":
    if "--write" in sys.argv:
        FILE.write_text(build(), encoding="utf-8")
    else:
        print(build(), end="")
