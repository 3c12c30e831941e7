"""Message numbers, bits, codes, and the bodies as bytes (PROTOCOL.md section 3).

Every ``pack_*`` checks the range of each field before packing, because MicroPython's struct.pack would cut a number
that is too large without a word; every ``unpack_*`` checks length and range. Both raise `FieldError`, a ValueError that
knows the offset of the field.
"""

import struct

from firmware_protocol.fields import FieldError as FieldError
from firmware_protocol.fields import check, check_least, check_length
from firmware_protocol.tuples import About as About
from firmware_protocol.tuples import Arm as Arm
from firmware_protocol.tuples import Block as Block
from firmware_protocol.tuples import BlockRequest as BlockRequest
from firmware_protocol.tuples import Capture as Capture
from firmware_protocol.tuples import Hello as Hello
from firmware_protocol.tuples import Progress as Progress
from firmware_protocol.tuples import Read as Read
from firmware_protocol.tuples import Reading as Reading
from firmware_protocol.tuples import Refused as Refused
from firmware_protocol.tuples import SelfTest as SelfTest
from firmware_protocol.tuples import Status as Status

# Version of the protocol (section 5)
MAJOR = 1
MINOR = 1

# Message numbers: requests; the answer's number is the request's with bit 7 set, or REFUSED
HELLO = 1
STATUS = 2
ARM = 3
DISARM = 4
SET = 5
CLEAR = 6
READ = 7
CAPTURE = 8
PROGRESS = 9
BLOCK = 10
ABOUT = 11  # since 1.1
SELF_TEST = 12  # since 1.1
ANSWER = 0x80
REFUSED = 0xFF

# Output bits; all off is the safe state
COIL = 0x01
METER = 0x02
PUMP = 0x04
ISOLATION = 0x08
VENT = 0x10
REFERENCE = 0x20
ALL_OUTPUTS = 0x3F

# Input bits, 1 = closed
ESTOP_OK = 0x01
GUARD_CLOSED = 0x02
ALL_INPUTS = 0x03

# Channel indices; the same numbers name the quantity in HELLO's channel table
COIL_CURRENT = 0
PRESSURE = 1
SUPPLY = 2
AMBIENT = 3
MAX_CHANNELS = 8

# Why the board switched everything off
CAUSE_NONE = 0
CAUSE_SILENT = 1
CAUSE_ESTOP = 2
CAUSE_GUARD = 3
CAUSE_COIL_TIME = 4
CAUSE_OVER_CURRENT = 5

# Why the board started (1.1)
RESET_UNKNOWN = 0
RESET_POWER = 1
RESET_WATCHDOG = 2
RESET_PROGRAM = 3

# What a board can do beyond 1.0, and what its self-test looks at (1.1)
CAN_SELF_TEST = 0x01
TEST_OUTPUTS = 0x01
TEST_CONVERTER = 0x02

# Why a request was refused
BAD_LENGTH = 1
UNKNOWN_KIND = 2
OUT_OF_RANGE = 3
NO_HELLO = 4
NOT_ARMED = 5
TRIPPED = 6
INTERLOCK_OPEN = 7
CONFLICT = 8
CAUSE_PERSISTS = 9
NO_CAPTURE = 10
NOT_RECORDED = 11
CAPTURE_TOO_LARGE = 12
SWITCH_PENDING = 13
TOO_FAST = 14
BLOCK_TOO_LARGE = 15
BUSY = 16

# Bounds of fields
NEVER = 0xFFFFFFFF  # in a sample index or an instant: does not happen, has not happened
SILENT_MIN_MS = 100
SILENT_MAX_MS = 10_000
COIL_MAX_MS = 600_000
READ_MAX_SAMPLES = 1000
PERIOD_MIN_US = 10
PERIOD_MAX_US = 1_000_000
IDENTITY_BYTES = 8
UNIQUE_BYTES = 16
DIGEST_BYTES = 8
ABOUT_LEAST = 42
MAX_TEXT_BYTES = 64
BLOCK_HEADER = 8
MAX_BLOCK_BYTES = 1016  # frame.MAX_BODY less the header
MOST_BEHIND = 127  # a SEQ up to so many behind the last one is an old request's

_U8 = 0xFF
_U16 = 0xFFFF
_U32 = 0xFFFFFFFF

# Length of the body of each request
REQUEST_BYTES = {
    HELLO: 0,
    STATUS: 0,
    ARM: 8,
    DISARM: 0,
    SET: 1,
    CLEAR: 0,
    READ: 3,
    CAPTURE: 20,
    PROGRESS: 0,
    BLOCK: 7,
    ABOUT: 0,
    SELF_TEST: 0,
}


def pack_hello(hello: Hello) -> bytes:
    """Body of the answer to HELLO."""
    check("major", hello.major, 0, _U8, 0)
    check("minor", hello.minor, 0, _U8, 1)
    check("build", hello.build, 0, _U32, 2)
    check("identity length", len(hello.identity), IDENTITY_BYTES, IDENTITY_BYTES, 6)
    check("outputs", hello.outputs, 0, _U8, 14)
    check("capture_words", hello.capture_words, 0, _U32, 15)
    check("max_body", hello.max_body, 0, _U16, 19)
    check("silent_min_ms", hello.silent_min_ms, 0, _U16, 21)
    check("silent_max_ms", hello.silent_max_ms, 0, _U16, 23)
    check("coil_max_ms", hello.coil_max_ms, 0, _U32, 25)
    check("channel count", len(hello.channels), 0, MAX_CHANNELS, 29)
    body = struct.pack(
        "<BBI8sBIHHHIB",
        hello.major,
        hello.minor,
        hello.build,
        hello.identity,
        hello.outputs,
        hello.capture_words,
        hello.max_body,
        hello.silent_min_ms,
        hello.silent_max_ms,
        hello.coil_max_ms,
        len(hello.channels),
    )
    for quantity, bits, full_scale_mv in hello.channels:
        check("quantity", quantity, 0, _U8, len(body))
        check("bits", bits, 1, 16, len(body) + 1)
        check("full_scale_mv", full_scale_mv, 1, _U16, len(body) + 2)
        body += struct.pack("<BBH", quantity, bits, full_scale_mv)
    return body


def unpack_hello(body: bytes) -> Hello:
    """Answer to HELLO."""
    check_least("HELLO", body, 30)
    fields = struct.unpack("<BBI8sBIHHHIB", body[:30])
    count = fields[10]
    check("channel count", count, 0, MAX_CHANNELS, 29)
    check_length("HELLO", body, 30 + 4 * count)
    channels = []
    for i in range(count):
        at = 30 + 4 * i
        quantity, bits, full_scale_mv = struct.unpack("<BBH", body[at : at + 4])
        check("bits", bits, 1, 16, at + 1)
        check("full_scale_mv", full_scale_mv, 1, _U16, at + 2)
        channels.append((quantity, bits, full_scale_mv))
    major, minor, build, identity, outputs, words, max_body, silent_min, silent_max, coil_max = fields[:10]
    return Hello(
        major, minor, build, identity, outputs, words, max_body, silent_min, silent_max, coil_max, tuple(channels)
    )


def pack_status(status: Status) -> bytes:
    """Body of the answer to STATUS, ARM, DISARM, SET and CLEAR."""
    check("board_ms", status.board_ms, 0, _U32, 0)
    check("outputs", status.outputs, 0, ALL_OUTPUTS, 4)
    check("inputs", status.inputs, 0, ALL_INPUTS, 5)
    check("cause", status.cause, 0, CAUSE_OVER_CURRENT, 8)
    check("cause_ms", status.cause_ms, 0, _U32, 9)
    return struct.pack(
        "<IBBBBBI",
        status.board_ms,
        status.outputs,
        status.inputs,
        1 if status.armed else 0,
        1 if status.capturing else 0,
        status.cause,
        status.cause_ms,
    )


def unpack_status(body: bytes) -> Status:
    """Answer to STATUS, ARM, DISARM, SET and CLEAR."""
    check_length("STATUS", body, 13)
    board_ms, outputs, inputs, armed, capturing, cause, cause_ms = struct.unpack("<IBBBBBI", body)
    check("outputs", outputs, 0, ALL_OUTPUTS, 4)
    check("inputs", inputs, 0, ALL_INPUTS, 5)
    check("armed", armed, 0, 1, 6)
    check("capturing", capturing, 0, 1, 7)
    check("cause", cause, 0, CAUSE_OVER_CURRENT, 8)
    return Status(board_ms, outputs, inputs, armed == 1, capturing == 1, cause, cause_ms)


def _check_arm(host_silent_ms: int, coil_limit_ms: int, over_current_raw: int) -> None:
    check("host_silent_ms", host_silent_ms, SILENT_MIN_MS, SILENT_MAX_MS, 0)
    check("coil_limit_ms", coil_limit_ms, 1, COIL_MAX_MS, 2)
    check("over_current_raw", over_current_raw, 1, _U16, 6)


def pack_arm(host_silent_ms: int, coil_limit_ms: int, over_current_raw: int) -> bytes:
    """Body of the request ARM."""
    _check_arm(host_silent_ms, coil_limit_ms, over_current_raw)
    return struct.pack("<HIH", host_silent_ms, coil_limit_ms, over_current_raw)


def unpack_arm(body: bytes) -> Arm:
    """Request ARM."""
    check_length("ARM", body, 8)
    host_silent_ms, coil_limit_ms, over_current_raw = struct.unpack("<HIH", body)
    _check_arm(host_silent_ms, coil_limit_ms, over_current_raw)
    return Arm(host_silent_ms, coil_limit_ms, over_current_raw)


def pack_set(outputs: int) -> bytes:
    """Body of the request SET: exactly these outputs on."""
    check("outputs", outputs, 0, ALL_OUTPUTS, 0)
    return bytes((outputs,))


def unpack_set(body: bytes) -> int:
    """Outputs that the request SET wants on."""
    check_length("SET", body, 1)
    check("outputs", body[0], 0, ALL_OUTPUTS, 0)
    return body[0]


def pack_read(channel_mask: int, samples: int) -> bytes:
    """Body of the request READ."""
    check("channel_mask", channel_mask, 1, _U8, 0)
    check("samples", samples, 1, READ_MAX_SAMPLES, 1)
    return struct.pack("<BH", channel_mask, samples)


def unpack_read(body: bytes) -> Read:
    """Request READ."""
    check_length("READ", body, 3)
    channel_mask, samples = struct.unpack("<BH", body)
    check("channel_mask", channel_mask, 1, _U8, 0)
    check("samples", samples, 1, READ_MAX_SAMPLES, 1)
    return Read(channel_mask, samples)


def pack_reading(reading: Reading) -> bytes:
    """Body of the answer to READ."""
    check("samples", reading.samples, 1, READ_MAX_SAMPLES, 0)
    check("channel count", len(reading.sums), 1, MAX_CHANNELS, 2)
    body = struct.pack("<H", reading.samples)
    for total in reading.sums:
        check("sum", total, 0, reading.samples * _U16, len(body))
        body += struct.pack("<I", total)
    return body


def unpack_reading(body: bytes) -> Reading:
    """Answer to READ."""
    check_least("READ", body, 6)
    count = (len(body) - 2) // 4
    check_length("READ", body, 2 + 4 * count)
    check("channel count", count, 1, MAX_CHANNELS, 2)
    samples = struct.unpack("<H", body[:2])[0]
    check("samples", samples, 1, READ_MAX_SAMPLES, 0)
    sums = struct.unpack("<%dI" % count, body[2:])
    for i in range(count):
        check("sum", sums[i], 0, samples * _U16, 2 + 4 * i)
    return Reading(samples, sums)


def _check_capture(capture: Capture) -> None:
    check("capture_id", capture.capture_id, 0, _U8, 0)
    check("channel_mask", capture.channel_mask, 1, _U8, 1)
    check("period_us", capture.period_us, PERIOD_MIN_US, PERIOD_MAX_US, 2)
    # The whole capture lasts less than 2**32 us, so that its instants fit.
    check("samples", capture.samples, 1, (NEVER - 1) // capture.period_us, 6)
    if capture.switch_at != NEVER:
        check("switch_at", capture.switch_at, 0, capture.samples - 1, 10)
        check("switch_outputs", capture.switch_outputs, 0, ALL_OUTPUTS, 14)
    if capture.release_at != NEVER:
        if capture.switch_at == NEVER:
            raise FieldError("release_at without switch_at", 15)
        check("release_at", capture.release_at, capture.switch_at + 1, capture.samples - 1, 15)
        check("release_outputs", capture.release_outputs, 0, ALL_OUTPUTS, 19)


def pack_capture(capture: Capture) -> bytes:
    """Body of the request CAPTURE."""
    _check_capture(capture)
    return struct.pack("<BBIIIBIB", *capture)


def unpack_capture(body: bytes) -> Capture:
    """Request CAPTURE."""
    check_length("CAPTURE", body, 20)
    capture = Capture(*struct.unpack("<BBIIIBIB", body))
    _check_capture(capture)
    return capture


def pack_progress(progress: Progress) -> bytes:
    """Body of the answer to CAPTURE and PROGRESS."""
    check("capture_id", progress.capture_id, 0, _U8, 0)
    check("samples", progress.samples, 1, _U32, 5)
    check("recorded", progress.recorded, 0, progress.samples, 1)
    check("switched_us", progress.switched_us, 0, _U32, 10)
    check("released_us", progress.released_us, 0, _U32, 14)
    return struct.pack(
        "<BIIBII",
        progress.capture_id,
        progress.recorded,
        progress.samples,
        1 if progress.finished else 0,
        progress.switched_us,
        progress.released_us,
    )


def unpack_progress(body: bytes) -> Progress:
    """Answer to CAPTURE and PROGRESS."""
    check_length("PROGRESS", body, 18)
    capture_id, recorded, samples, finished, switched_us, released_us = struct.unpack("<BIIBII", body)
    check("samples", samples, 1, _U32, 5)
    check("recorded", recorded, 0, samples, 1)
    check("finished", finished, 0, 1, 9)
    return Progress(capture_id, recorded, samples, finished == 1, switched_us, released_us)


def pack_block_request(capture_id: int, first: int, count: int) -> bytes:
    """Body of the request BLOCK."""
    check("capture_id", capture_id, 0, _U8, 0)
    check("first", first, 0, _U32, 1)
    check("count", count, 1, MAX_BLOCK_BYTES // 2, 5)
    return struct.pack("<BIH", capture_id, first, count)


def unpack_block_request(body: bytes) -> BlockRequest:
    """Request BLOCK."""
    check_length("BLOCK", body, 7)
    capture_id, first, count = struct.unpack("<BIH", body)
    check("count", count, 1, MAX_BLOCK_BYTES // 2, 5)
    return BlockRequest(capture_id, first, count)


def pack_block(block: Block) -> bytes:
    """Body of the answer to BLOCK."""
    check("capture_id", block.capture_id, 0, _U8, 0)
    check("first", block.first, 0, _U32, 1)
    check("channels", block.channels, 1, MAX_CHANNELS, 7)
    check("count", block.count, 1, MAX_BLOCK_BYTES // (2 * block.channels), 5)
    check("data length", len(block.data), 2 * block.count * block.channels, 2 * block.count * block.channels, 8)
    return struct.pack("<BIHB", block.capture_id, block.first, block.count, block.channels) + block.data


def unpack_block(body: bytes) -> Block:
    """Answer to BLOCK."""
    check_least("BLOCK", body, BLOCK_HEADER)
    capture_id, first, count, channels = struct.unpack("<BIHB", body[:BLOCK_HEADER])
    check("channels", channels, 1, MAX_CHANNELS, 7)
    check("count", count, 1, MAX_BLOCK_BYTES // (2 * channels), 5)
    check_length("BLOCK", body, BLOCK_HEADER + 2 * count * channels)
    return Block(capture_id, first, count, channels, body[BLOCK_HEADER:])


def pack_refused(refused: Refused) -> bytes:
    """Body of the answer REFUSED."""
    check("request_kind", refused.request_kind, 0, _U8, 0)
    check("code", refused.code, 1, _U8, 1)
    check("detail", refused.detail, 0, _U32, 2)
    return struct.pack("<BBI", refused.request_kind, refused.code, refused.detail)


def unpack_refused(body: bytes) -> Refused:
    """Answer REFUSED. Any code from 1 up is taken, so that a later minor version may add some."""
    check_length("REFUSED", body, 6)
    request_kind, code, detail = struct.unpack("<BBI", body)
    check("code", code, 1, _U8, 1)
    return Refused(request_kind, code, detail)
