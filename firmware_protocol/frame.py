"""Frames on the wire: COBS, a CRC and a zero byte at the end (PROTOCOL.md section 2).

Written in the subset of the language that MicroPython runs; both ends of the cable use this file.
"""

import binascii
import struct

__all__ = ["MAX_BODY", "MAX_ENCODED", "Decoder", "encode"]

MAX_BODY = 1024  # bytes; bounds the memory of both ends
MAX_RAW = 2 + MAX_BODY + 4  # SEQ KIND BODY CRC
MAX_ENCODED = MAX_RAW + (MAX_RAW + 253) // 254  # COBS adds one byte for each 254 begun; the ending zero not counted

_CODES = [bytes((length + 1,)) for length in range(254)]  # the byte before a block of that length


def encode(seq: int, kind: int, body: bytes) -> bytes:
    """Make one frame, its ending zero included.

    Parameters
    ----------
    seq : int
        Sequence number, 0 to 255.
    kind : int
        Message number, 0 to 255.
    body : bytes
        At most `MAX_BODY` bytes.

    Returns
    -------
    bytes
        The bytes to send.

    Raises
    ------
    ValueError
        If a number or the length of the body is out of bounds.

    Examples
    --------
    >>> encode(1, 2, b"").hex()
    '0701029242ccb600'
    """
    if not 0 <= seq <= 255:
        raise ValueError(f"sequence number {seq}, 0 to 255 allowed")
    if not 0 <= kind <= 255:
        raise ValueError(f"message number {kind}, 0 to 255 allowed")
    if len(body) > MAX_BODY:
        raise ValueError(f"body of {len(body)} bytes, at most {MAX_BODY} allowed")
    raw = bytes((seq, kind)) + body
    return stuff(raw + struct.pack("<I", binascii.crc32(raw) & 0xFFFFFFFF)) + b"\0"


def stuff(data: bytes) -> bytes:
    r"""Remove the zeros from `data` by COBS (Cheshire and Baker, IEEE/ACM Trans. Networking 7(2), 1999).

    Examples
    --------
    >>> stuff(b"\x00\x11\x00").hex()
    '01021101'
    """
    blocks = data.split(b"\0")
    if len(max(blocks, key=len)) < 254:
        # Nearly always. The way below took the emulated chip 0.1 s for a block of zeros: a coil without current.
        zero = _CODES[0]
        return b"".join([_CODES[len(block)] + block if block else zero for block in blocks])
    parts = []
    for block in blocks:
        while len(block) > 253:
            parts.append(b"\xff")
            parts.append(block[:254])
            block = block[254:]
        parts.append(_CODES[len(block)])
        parts.append(block)
    # A last block of exactly 254 bytes (or a multiple) is complete: the code that would follow it is left out.
    tail = len(data) - 1 - data.rfind(b"\0")
    if tail and tail % 254 == 0:
        parts = parts[:-2]
    return b"".join(parts)


def unstuff(data: bytes) -> "bytes | None":
    r"""Undo `stuff`; None if a block runs past the end. `data` must hold no zero byte.

    Examples
    --------
    >>> unstuff(bytes.fromhex("01021101")).hex(), unstuff(b"\x05\x11")
    ('001100', None)
    """
    parts = []
    at = 0
    end = len(data)
    code = 255
    while at < end:
        code = data[at]
        if code > 1:
            parts.append(data[at + 1 : at + code])
        if code < 255:
            parts.append(b"\0")
        at += code
    if at > end:
        return None
    if code < 255:
        parts.pop()  # the last block stands for no zero
    return b"".join(parts)


class Decoder:
    """Finds the frames in a stream of bytes that may be cut anywhere and damaged anyhow.

    Never raises, whatever the bytes. Holds at most `MAX_ENCODED` bytes between calls. After damage it is in step again
    at the next zero byte.

    Attributes
    ----------
    rejected : int
        Pieces between two zeros that were not a frame: too long, too short, bad COBS or bad CRC. Empty pieces are
        no fault and are not counted.
    """

    def __init__(self) -> None:
        self.rejected = 0
        self._held = b""
        self._overlong = False

    def feed(self, data: bytes) -> "list[tuple[int, int, bytes]]":
        """Take in received bytes; return the frames completed by them as ``(seq, kind, body)``."""
        frames: list[tuple[int, int, bytes]] = []
        pieces = (self._held + data).split(b"\0")
        held = pieces.pop()
        for piece in pieces:
            if self._overlong:
                self._overlong = False  # the end of a piece whose beginning was thrown away
                self.rejected += 1
            elif piece:
                frame = open_frame(piece)
                if frame is None:
                    self.rejected += 1
                else:
                    frames.append(frame)
        if len(held) > MAX_ENCODED:
            self._overlong = True
            held = b""
        self._held = bytes(held)
        return frames


def open_frame(piece: bytes) -> "tuple[int, int, bytes] | None":
    """Open what stood between two zeros: ``(seq, kind, body)``, or None if it is not a frame."""
    if len(piece) > MAX_ENCODED:
        return None
    raw = unstuff(piece)
    if raw is None or not 6 <= len(raw) <= MAX_RAW:
        return None
    end = len(raw) - 4
    if binascii.crc32(raw[:end]) & 0xFFFFFFFF != struct.unpack("<I", raw[end:])[0]:
        return None
    return raw[0], raw[1], raw[2:end]
