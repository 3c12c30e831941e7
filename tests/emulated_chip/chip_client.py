"""A small host for the emulated chip: one request at a time, with the chip time that each answer took."""

from __future__ import annotations

from typing import Any

from firmware_protocol import knowledge
from firmware_protocol import messages as m
from firmware_protocol.frame import Decoder, encode
from tests.emulated_chip.chip import BOOT_NS, MS, Chip

UNPACK: dict[int, Any] = {m.HELLO: m.unpack_hello, m.READ: m.unpack_reading, m.BLOCK: m.unpack_block}
UNPACK |= {m.CAPTURE: m.unpack_progress, m.PROGRESS: m.unpack_progress, m.REFUSED: m.unpack_refused}
UNPACK |= {m.ABOUT: knowledge.unpack_about, m.SELF_TEST: knowledge.unpack_self_test}
UNPACK |= dict.fromkeys((m.STATUS, m.ARM, m.DISARM, m.SET, m.CLEAR), m.unpack_status)


class ChipClient:
    """A host.

    Attributes
    ----------
    took_ms : float
        Chip time from the request to the end of the last answer.
    """

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self._decoder = Decoder()
        self._seq = 0
        self.took_ms = 0.0

    def frame(self, kind: int, body: bytes = b"") -> bytes:
        """The next request's frame."""
        self._seq = (self._seq + 1) % 256
        return encode(self._seq, kind, body)

    def answers(self, count: int, within_ms: float, *, to: int | None = None) -> list[Any]:
        """Wait for so many answers, of any request or to the one of this number; fewer if the time is up."""
        frames: list[tuple[int, int, bytes]] = []
        began_ns = self.chip.now_ns

        def all_there() -> bool:
            frames.extend(each for each in self._decoder.feed(self.chip.said()) if to in (None, each[0]))
            return len(frames) >= count

        if not all_there():
            self.chip.run_until(began_ns + round(within_ms * MS), until=all_there)
        self.took_ms = (self.chip.now_ns - began_ns) / MS
        return [UNPACK[kind if kind == m.REFUSED else kind & ~m.ANSWER](body) for _, kind, body in frames]

    def ask(self, kind: int, body: bytes = b"", *, within_ms: float = 500.0) -> Any:
        """Ask once, and return the answer unpacked; nothing is repeated, and a late answer to another one is let go."""
        self.chip.hear(self.frame(kind, body))
        answers = self.answers(1, within_ms, to=self._seq)
        assert answers, f"no answer to request {kind} within {within_ms} ms of chip time"
        return answers[0]

    def greet(self) -> Any:
        """HELLO until the board answers, as after power-up."""
        end_ns = self.chip.now_ns + BOOT_NS
        while self.chip.now_ns < end_ns:
            self.chip.hear(b"\0" + self.frame(m.HELLO))
            answers = self.answers(1, 200.0)
            if answers:
                while self.answers(1, 30.0):  # those to the tries before
                    pass
                return answers[0]
        raise AssertionError("no answer to HELLO within the longest start")

    def arm(self, *, silent_ms: int = 2000, coil_ms: int = 60_000, over_current_raw: int = 65535) -> Any:
        """HELLO, CLEAR and ARM."""
        self.ask(m.HELLO)
        self.ask(m.CLEAR)
        return self.ask(m.ARM, m.pack_arm(silent_ms, coil_ms, over_current_raw))
