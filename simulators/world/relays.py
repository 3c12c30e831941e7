"""Relays and solenoids behind the board's outputs: each takes its time to switch, and may be welded or dead.

Not modelled: contact resistance, arcs, spread of the switching times, bounce but for one parting of the meter's route.
"""

from __future__ import annotations

import math

__all__ = ["COIL", "ISOLATION", "METER", "PUMP", "REFERENCE", "VENT", "Relays"]

COIL, METER, PUMP, ISOLATION, VENT, REFERENCE = 0x01, 0x02, 0x04, 0x08, 0x10, 0x20
TRAVEL_S = {
    COIL: (40e-6, 60e-6),
    METER: (4e-3, 3e-3),
    PUMP: (9e-3, 6e-3),
    ISOLATION: (12e-3, 9e-3),
    VENT: (11e-3, 8e-3),
    REFERENCE: (8e-3, 7e-3),
}
"""Time that switching each output on and off takes (our own invention; K1 is solid state)."""
BOUNCE_S = {METER: (0.3e-3, 0.8e-3)}
"""After closing, contacts part once more and close for good: for those that carry a signal, where it could show."""


class Relays:
    """What is commanded, what has arrived, and what is on its way.

    Attributes
    ----------
    welded, dead : int
        Relays that are on, and that are off, whatever they are told; dead goes before welded.

    Examples
    --------
    >>> relays = Relays()
    >>> relays.command(COIL, 1.0)
    True
    >>> relays.at(1.0), relays.at(1.1)
    (0, 1)
    """

    def __init__(self) -> None:
        self._moved = 0
        self._commanded = 0
        self.welded = self.dead = 0
        self._pending: list[tuple[float, int, bool]] = []

    @property
    def next_s(self) -> float:
        """Instant of the next arrival; infinite when nothing is on its way."""
        return self._pending[0][0] if self._pending else math.inf

    def command(self, mask: int, t_s: float) -> bool:
        """Send off what differs from the last command; whether anything did. A relay on its way may turn back."""
        changed = mask ^ self._commanded
        self._commanded = mask
        for bit, (on_s, off_s) in TRAVEL_S.items():
            if changed & bit:
                on = bool(mask & bit)
                self._pending = [p for p in self._pending if p[1] != bit]
                self._pending.append((t_s + (on_s if on else off_s), bit, on))
                if on and bit in BOUNCE_S:
                    opens_s, closes_s = BOUNCE_S[bit]
                    self._pending += [(t_s + on_s + opens_s, bit, False), (t_s + on_s + closes_s, bit, True)]
        self._pending.sort()
        return bool(changed)

    def arrive(self, t_s: float) -> int:
        """Let arrive what is due; return the bits that came."""
        before = self._moved
        self._moved = self._raw(t_s)
        self._pending = [p for p in self._pending if p[0] > t_s]
        return before ^ self._moved

    def fail(self, *, welded: int = 0, dead: int = 0) -> None:
        """Weld these relays, or let them die, besides those that are already."""
        self.welded |= welded
        self.dead |= dead

    def at(self, t_s: float) -> int:
        """Outputs that have switched by an instant, if nothing more is commanded."""
        return (self._raw(t_s) | self.welded) & ~self.dead

    @property
    def arrived(self) -> int:
        """Outputs that have switched, as far as their relays can."""
        return (self._moved | self.welded) & ~self.dead

    def _raw(self, t_s: float) -> int:
        on = self._moved
        for due_s, bit, is_on in self._pending:
            if due_s <= t_s:
                on = on | bit if is_on else on & ~bit
        return on
