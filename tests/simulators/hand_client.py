"""A host made by hand from the protocol's own codec: enough to hold a conversation with a board."""

from __future__ import annotations

import numpy as np

from firmware_protocol import messages as m
from firmware_protocol.frame import Decoder, encode

ANSWER_S = 0.5


class HandClient:
    def __init__(self, link, clock) -> None:
        self._link, self._clock = link, clock
        self._decoder = Decoder()
        self._seq = 0

    def ask(self, kind: int, body: bytes = b"") -> tuple[int, bytes]:
        """One request and its answer, as (kind, body)."""
        self._seq = (self._seq + 1) % 256
        self._link.write(encode(self._seq, kind, body))
        deadline = self._clock.now() + ANSWER_S
        while self._clock.now() < deadline:
            for seq, answered, answer in self._decoder.feed(self._link.read(deadline)):
                if seq == self._seq:
                    return answered, answer
        raise TimeoutError(f"no answer to request {kind}")

    def good(self, kind: int, body: bytes = b"") -> bytes:
        """The body of an answer that is no refusal."""
        answered, answer = self.ask(kind, body)
        assert answered == kind | m.ANSWER, m.unpack_refused(answer)
        return answer

    def hello(self):
        return m.unpack_hello(self.good(m.HELLO))

    def status(self):
        return m.unpack_status(self.good(m.STATUS))

    def arm(self, host_silent_ms: int = 1000, coil_limit_ms: int = 60_000, over_current_raw: int = 59_000):
        return m.unpack_status(self.good(m.ARM, m.pack_arm(host_silent_ms, coil_limit_ms, over_current_raw)))

    def set(self, outputs: int):
        return m.unpack_status(self.good(m.SET, m.pack_set(outputs)))

    def read(self, channel_mask: int, samples: int) -> list[float]:
        """Mean raw numbers of the channels asked for."""
        reading = m.unpack_reading(self.good(m.READ, m.pack_read(channel_mask, samples)))
        return [total / reading.samples for total in reading.sums]

    def capture(self, *fields: int):
        return m.unpack_progress(self.good(m.CAPTURE, m.pack_capture(m.Capture(*fields))))

    def progress(self):
        return m.unpack_progress(self.good(m.PROGRESS))

    def block(self, capture_id: int, first: int, count: int) -> np.ndarray:
        """Recorded raw numbers, shape (count, channels)."""
        block = m.unpack_block(self.good(m.BLOCK, m.pack_block_request(capture_id, first, count)))
        assert (block.capture_id, block.first, block.count) == (capture_id, first, count)
        return np.frombuffer(block.data, dtype="<u2").reshape(count, block.channels)
