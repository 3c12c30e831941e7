"""Types for type checkers and for whoever builds a board; never loaded on the board.

The named tuples repeat those of messages.py with the type of each field (a test holds them together). `Port` lists
what board.py asks of the hardware.
"""

from typing import NamedTuple, Protocol

__all__ = [
    "About",
    "Arm",
    "Block",
    "BlockRequest",
    "Capture",
    "Hello",
    "Port",
    "Progress",
    "Read",
    "Reading",
    "Refused",
    "SelfTest",
    "Status",
]


class Port(Protocol):
    """The hardware under the board: clock, outputs, inputs, converter and capture memory.

    `capture_words` is the size of the capture memory in 16-bit words. No method waits longer than one conversion.
    """

    capture_words: int

    def now_us(self) -> int:
        """Microseconds since the board started; only goes forward and does not wrap."""

    def write_outputs(self, mask: int, /) -> int:
        """Drive exactly the outputs in `mask`, now; give the board time at which the last one of them moved."""

    def read_inputs(self) -> int:
        """Interlock inputs as bits, 1 = closed (safe)."""

    def read_channel(self, index: int, /) -> int:
        """One conversion of a channel, 0 to 65535, left-justified. May be called while a capture runs."""

    def capture_start(self, channel_mask: int, period_us: int, samples: int, /) -> int:
        """Begin to record in place of any capture before; give the board time of sample 0.

        ValueError if that rate cannot be kept; the capture before then stays as it was.
        """

    def capture_recorded(self) -> int:
        """Samples recorded so far; also after the capture has ended."""

    def capture_block(self, first: int, count: int, /) -> bytes:
        """Recorded samples as little-endian 16-bit words, lowest channel first within a sample."""

    def capture_stop(self) -> None:
        """Stop recording and forget what was recorded. Safe to repeat."""

    def read_back(self) -> int:
        """Outputs whose pins are high, read from the pins themselves."""

    def reference(self) -> "tuple[int, int, int]":
        """A conversion of a source inside the chip, and the words between which it must lie. Not during a capture."""

    def free_bytes(self) -> int:
        """Memory that is free."""


class About(NamedTuple):
    """Answer to ABOUT: what the board knows of itself."""

    capabilities: int
    reset_reason: int
    uptime_s: int
    free_bytes: int
    rejected: int
    unique: bytes
    firmware: bytes
    text: str


class SelfTest(NamedTuple):
    """Answer to SELF_TEST: which tests were done and failed, as bits, and what they rest on."""

    done: int
    failed: int
    driven: int
    read_back: int
    reference: int


class Hello(NamedTuple):
    """Answer to HELLO; `channels` holds ``(quantity, bits, full_scale_mv)`` for each channel."""

    major: int
    minor: int
    build: int
    identity: bytes
    outputs: int
    capture_words: int
    max_body: int
    silent_min_ms: int
    silent_max_ms: int
    coil_max_ms: int
    channels: tuple[tuple[int, int, int], ...]


class Status(NamedTuple):
    """Answer to STATUS, ARM, DISARM, SET and CLEAR: the state reached."""

    board_ms: int
    outputs: int
    inputs: int
    armed: bool
    capturing: bool
    cause: int
    cause_ms: int


class Arm(NamedTuple):
    """Request ARM."""

    host_silent_ms: int
    coil_limit_ms: int
    over_current_raw: int


class Read(NamedTuple):
    """Request READ."""

    channel_mask: int
    samples: int


class Reading(NamedTuple):
    """Answer to READ: sums of `samples` conversions of each channel asked for, in index order."""

    samples: int
    sums: tuple[int, ...]


class Capture(NamedTuple):
    """Request CAPTURE."""

    capture_id: int
    channel_mask: int
    period_us: int
    samples: int
    switch_at: int
    switch_outputs: int
    release_at: int
    release_outputs: int


class Progress(NamedTuple):
    """Answer to CAPTURE and PROGRESS; instants in microseconds from the start of the capture, or NEVER."""

    capture_id: int
    recorded: int
    samples: int
    finished: bool
    switched_us: int
    released_us: int


class BlockRequest(NamedTuple):
    """Request BLOCK."""

    capture_id: int
    first: int
    count: int  # type: ignore[assignment]  # hides tuple.count, which nobody needs here


class Block(NamedTuple):
    """Answer to BLOCK: `count` samples of `channels` channels as little-endian 16-bit words, interleaved."""

    capture_id: int
    first: int
    count: int  # type: ignore[assignment]  # hides tuple.count, which nobody needs here
    channels: int
    data: bytes


class Refused(NamedTuple):
    """Answer to a request that was not carried out; nothing changed."""

    request_kind: int
    code: int
    detail: int
