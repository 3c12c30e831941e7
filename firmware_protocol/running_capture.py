"""One capture on the board: what is recorded, its switches, and how far it was judged (PROTOCOL.md section 7)."""

import struct

from firmware_protocol import messages as m

TYPE_CHECKING = False
if TYPE_CHECKING:
    from firmware_protocol.typed import Port

__all__ = ["RunningCapture"]

JUDGED_WORDS = 2048  # words looked at in one go for over-current: 4 KB at most on the board


class RunningCapture:
    """A capture that has been started.

    Parameters
    ----------
    port : Port
        The hardware; `capture_start` is called on it.
    wanted : Capture
        The request, in bounds.

    Attributes
    ----------
    wanted : Capture
        The request.
    channels : int
        Number of channels recorded.

    Raises
    ------
    ValueError
        If the port cannot keep that rate.
    """

    def __init__(self, port: "Port", wanted: "m.Capture") -> None:
        start_us = port.capture_start(wanted.channel_mask, wanted.period_us, wanted.samples)
        self.wanted = wanted
        self.channels = channels_in(wanted.channel_mask)
        self._port = port
        self._start_us = start_us
        self._judged = 0  # samples already looked at for over-current
        self._switched_us = m.NEVER
        self._released_us = m.NEVER
        self._pending: "list[tuple[int, int]]" = []  # (due_us, outputs)
        if wanted.switch_at != m.NEVER:
            self._pending.append((start_us + wanted.switch_at * wanted.period_us, wanted.switch_outputs))
        if wanted.release_at != m.NEVER:
            self._pending.append((start_us + wanted.release_at * wanted.period_us, wanted.release_outputs))

    def recorded(self) -> int:
        """Samples recorded so far."""
        return self._port.capture_recorded()

    def running(self) -> bool:
        """Whether samples are still to come."""
        return self._port.capture_recorded() < self.wanted.samples

    def due_us(self) -> "int | None":
        """Board time of the next switch, None if there is none to come."""
        return self._pending[0][0] if self._pending else None

    def switches_to_come(self) -> int:
        """Switches that are neither made nor cancelled."""
        return len(self._pending)

    def take_switch(self) -> int:
        """Outputs of the next switch, which is then no longer to come."""
        return self._pending.pop(0)[1]

    def note_switch(self, at_us: int) -> None:
        """Note the board time at which the switch just taken was made."""
        at_us = min(at_us - self._start_us, m.NEVER - 1)
        if self._switched_us == m.NEVER:
            self._switched_us = at_us
        else:
            self._released_us = at_us

    def cancel(self) -> None:
        """Make none of the switches to come; recording goes on."""
        self._pending = []

    def pass_over(self) -> None:
        """Leave what is recorded so far out of the judgement: it belongs to a dead coil."""
        self._judged = self._port.capture_recorded()

    def judges_current(self) -> bool:
        """Whether the coil current is among the channels and samples are still to be judged."""
        return self.wanted.channel_mask & (1 << m.COIL_CURRENT) != 0 and self._judged < self.wanted.samples

    def over_current(self, limit_raw: int) -> bool:
        """Whether a sample of the coil current recorded since the last call reaches the limit."""
        recorded = self._port.capture_recorded()
        while self._judged < recorded:
            count = min(recorded - self._judged, JUDGED_WORDS // self.channels)
            words = struct.unpack("<%dH" % (count * self.channels), self._port.capture_block(self._judged, count))
            self._judged += count
            # Channel 0 comes first in each sample. By way of a list: MicroPython steps through nothing else.
            if max(words if self.channels == 1 else list(words)[:: self.channels]) >= limit_raw:
                return True
        return False

    def progress(self) -> bytes:
        """Body of the answer to CAPTURE and PROGRESS."""
        recorded = self._port.capture_recorded()
        return m.pack_progress(
            m.Progress(
                self.wanted.capture_id,
                recorded,
                self.wanted.samples,
                recorded >= self.wanted.samples,
                self._switched_us,
                self._released_us,
            )
        )

    def block(self, first: int, count: int) -> bytes:
        """Body of the answer to BLOCK."""
        data = self._port.capture_block(first, count)
        return m.pack_block(m.Block(self.wanted.capture_id, first, count, self.channels, data))


def channels_in(channel_mask: int) -> int:
    """Count the bits of a channel mask.

    Examples
    --------
    >>> channels_in(0b1011)
    3
    """
    count = 0
    while channel_mask:
        count += channel_mask & 1
        channel_mask >>= 1
    return count
