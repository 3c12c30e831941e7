"""What a board tells of itself, and the bodies that carry it (PROTOCOL.md sections 3.10 and 3.11; since version 1.1).

A later minor version may append fields to both answers: what follows the fields known here is passed over.
"""

import struct

from firmware_protocol import messages as m
from firmware_protocol.fields import check, check_least
from firmware_protocol.frame import MAX_BODY

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Iterable

    from firmware_protocol.typed import Port

__all__ = ["about", "hello", "pack_about", "pack_self_test", "self_test", "unpack_about", "unpack_self_test"]

_U32 = 0xFFFFFFFF
_ABOUT = "<IBIII16s8sB"
_SELF_TEST = "<HHBBH"
SELF_TEST_LEAST = 8


def hello(capture_words: int, identity: bytes, build: int, channels: "Iterable[tuple[int, int, int]]") -> "m.Hello":
    """Answer to HELLO; ValueError if it would not fit the protocol."""
    made = m.Hello(
        m.MAJOR,
        m.MINOR,
        build,
        bytes(identity),
        m.ALL_OUTPUTS,
        capture_words,
        MAX_BODY,
        m.SILENT_MIN_MS,
        m.SILENT_MAX_MS,
        m.COIL_MAX_MS,
        tuple([(entry[0], entry[1], entry[2]) for entry in channels]),
    )
    m.pack_hello(made)  # raises on what would not fit
    if len(identity) != m.IDENTITY_BYTES or not 1 <= len(made.channels) <= m.MAX_CHANNELS:
        raise ValueError(f"identity of {len(identity)} bytes and {len(made.channels)} channels")
    if made.channels[0][0] != m.COIL_CURRENT:
        raise ValueError("channel 0 must carry the coil current")
    return made


def about(port: "Port", started: "tuple[int, bytes, bytes, str]", rejected: int) -> bytes:
    """Answer to ABOUT, out of the port and of what was known at the start (`Board`)."""
    reason, unique, firmware, text = started
    uptime_s = port.now_us() // 1_000_000 & _U32
    free = port.free_bytes() & _U32
    return pack_about(m.About(m.CAN_SELF_TEST, reason, uptime_s, free, rejected & _U32, unique, firmware, text))


def self_test(port: "Port", outputs: int) -> bytes:
    """Answer to SELF_TEST; switches nothing. `outputs` is what the board drives."""
    failed = 0
    read_back = port.read_back() & m.ALL_OUTPUTS
    if read_back != outputs:
        failed |= m.TEST_OUTPUTS
    word, low, high = port.reference()
    if not low <= word <= high:
        failed |= m.TEST_CONVERTER
    return pack_self_test(m.SelfTest(m.TEST_OUTPUTS | m.TEST_CONVERTER, failed, outputs, read_back, word))


def pack_about(about: "m.About") -> bytes:
    """Body of the answer to ABOUT."""
    text = about.text.encode()
    check("capabilities", about.capabilities, 0, _U32, 0)
    check("reset_reason", about.reset_reason, 0, 0xFF, 4)
    check("uptime_s", about.uptime_s, 0, _U32, 5)
    check("free_bytes", about.free_bytes, 0, _U32, 9)
    check("rejected", about.rejected, 0, _U32, 13)
    check("unique length", len(about.unique), 0, m.UNIQUE_BYTES, 17)
    check("firmware length", len(about.firmware), m.DIGEST_BYTES, m.DIGEST_BYTES, 33)
    check("text length", len(text), 0, m.MAX_TEXT_BYTES, 41)
    return (
        struct.pack(
            _ABOUT,
            about.capabilities,
            about.reset_reason,
            about.uptime_s,
            about.free_bytes,
            about.rejected,
            about.unique,
            about.firmware,
            len(text),
        )
        + text
    )


def unpack_about(body: bytes) -> "m.About":
    """Answer to ABOUT. Any reset reason is taken, so that a later minor version may add some."""
    check_least("ABOUT", body, m.ABOUT_LEAST)
    capabilities, reason, uptime_s, free, rejected, unique, firmware, length = struct.unpack(
        _ABOUT, body[: m.ABOUT_LEAST]
    )
    check("text length", length, 0, m.MAX_TEXT_BYTES, 41)
    check_least("ABOUT", body, m.ABOUT_LEAST + length)
    text = body[m.ABOUT_LEAST : m.ABOUT_LEAST + length].decode()
    return m.About(capabilities, reason, uptime_s, free, rejected, unique.rstrip(b"\0"), firmware, text)


def pack_self_test(test: "m.SelfTest") -> bytes:
    """Body of the answer to SELF_TEST."""
    check("done", test.done, 0, 0xFFFF, 0)
    check("failed", test.failed & ~test.done, 0, 0, 2)
    check("driven", test.driven, 0, m.ALL_OUTPUTS, 4)
    check("read_back", test.read_back, 0, m.ALL_OUTPUTS, 5)
    check("reference", test.reference, 0, 0xFFFF, 6)
    return struct.pack(_SELF_TEST, test.done, test.failed, test.driven, test.read_back, test.reference)


def unpack_self_test(body: bytes) -> "m.SelfTest":
    """Answer to SELF_TEST. Any tests are taken, so that a later minor version may add some."""
    check_least("SELF_TEST", body, SELF_TEST_LEAST)
    test = m.SelfTest(*struct.unpack(_SELF_TEST, body[:SELF_TEST_LEAST]))
    check("failed", test.failed & ~test.done, 0, 0, 2)
    check("driven", test.driven, 0, m.ALL_OUTPUTS, 4)
    check("read_back", test.read_back, 0, m.ALL_OUTPUTS, 5)
    return test
