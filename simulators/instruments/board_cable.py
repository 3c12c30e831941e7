"""A poor link to the board: frames that are lost, damaged, repeated or late, drawn from a seed.

Works on whole frames (up to the zero byte that ends each), in both directions. Not modelled: bytes that get lost or
come late inside a frame other than by damage, and a rate that changes with the length of a frame.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

__all__ = ["LATE_S", "RATE", "BoardCable"]

RATE = 0.2
"""Part of the frames that each frame fault hits (our own invention)."""
LATE_S = (0.01, 0.40)
END = b"\x00"


@dataclass
class BoardCable:
    r"""What the link does to frames.

    Attributes
    ----------
    seed : int
        Of the draws; one for each frame that passes, in turn.
    lost, damaged, repeated, delayed : float
        Part of the frames that this happens to, 0 to 1; at most one of them to each frame.

    Examples
    --------
    >>> BoardCable(1).passed(b"ab\x00")
    [(0.0, b'ab\x00')]
    >>> BoardCable(1, lost=1.0).passed(b"ab\x00cd\x00")
    []
    """

    seed: int
    lost: float = 0.0
    damaged: float = 0.0
    repeated: float = 0.0
    delayed: float = 0.0

    def __post_init__(self) -> None:
        self._draw = random.Random(f"wire {self.seed}")

    def passed(self, data: bytes) -> list[tuple[float, bytes]]:
        """What arrives of some bytes, each piece with its delay in seconds."""
        if not (self.lost or self.damaged or self.repeated or self.delayed):
            return [(0.0, data)]
        *frames, rest = data.split(END)
        arriving: list[tuple[float, bytes]] = []
        for frame in frames:
            arriving += self._frame(frame + END)
        return [*arriving, (0.0, rest)] if rest else arriving

    def _frame(self, frame: bytes) -> list[tuple[float, bytes]]:
        drawn = self._draw.random()
        if drawn < self.lost:
            return []
        drawn -= self.lost
        if drawn < self.damaged:
            where, bit = self._draw.randrange(len(frame)), 1 << self._draw.randrange(8)
            return [(0.0, frame[:where] + bytes([frame[where] ^ bit]) + frame[where + 1 :])]
        drawn -= self.damaged
        if drawn < self.repeated:
            return [(0.0, frame + frame)]
        drawn -= self.repeated
        if drawn < self.delayed:
            return [(self._draw.uniform(*LATE_S), frame)]
        return [(0.0, frame)]
