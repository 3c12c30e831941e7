"""Requests that come again or too late: answered from memory, or dropped, without acting (PROTOCOL.md section 4)."""

from firmware_protocol import messages as m

__all__ = ["Repeats"]


class Repeats:
    """The last request with its answer."""

    def __init__(self) -> None:
        self._last_request: "tuple[int, int, bytes] | None" = None
        self._last_answer = b""
        self._last_seq: "int | None" = None

    def overtaken(self, seq: int, kind: int) -> bool:
        """Whether this is an old request that a newer one has overtaken: to act on it would undo the newer one."""
        if self._last_seq is None or kind == m.HELLO:  # a new host may begin anywhere
            return False
        return 1 <= (self._last_seq - seq) % 256 <= m.MOST_BEHIND

    def answer_again(self, seq: int, kind: int, body: bytes) -> "bytes | None":
        """The answer that a repeated request was given; None if it is a new one."""
        if (seq, kind, body) == self._last_request:
            return self._last_answer
        return None

    def keep(self, seq: int, kind: int, body: bytes, answer: bytes) -> None:
        """Remember what was answered. HELLO starts afresh and is acted on each time it comes."""
        self._last_request = None if kind == m.HELLO else (seq, kind, body)
        self._last_seq = seq
        self._last_answer = answer
