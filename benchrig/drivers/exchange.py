"""Request and answer with the relay board: one frame out, its answer in, the same frame again on silence."""

from __future__ import annotations

from collections.abc import Callable
from typing import NoReturn, TypeVar

from benchrig.clock import Clock
from benchrig.drivers.board_types import CAUSE_HINTS, CAUSE_WORDS, TripCause
from benchrig.drivers.links import ByteLink
from benchrig.drivers.refusals import RefusedError, refusal_words
from benchrig.drivers.wire_log import WireLog, kind_name
from benchrig.errors import InterlockOpen, LinkError, LinkTimeout
from firmware_protocol import messages
from firmware_protocol.frame import Decoder, encode

__all__ = ["ANSWER_S", "BLOCK_WORK_S", "LONGEST_CONVERSION_S", "TRIES", "Exchange"]

ANSWER_S = 0.05
"""How long nothing may come. The board begins its answers within 25 ms on the emulated chip (BOARD.md section 13)."""
LONGEST_ANSWER_S = 0.15
"""An answer whose bytes keep coming is waited for so long: a block of samples takes 90 ms on a UART at 115200 baud."""
BLOCK_WORK_S = 0.1
"""What the board may need before a block of samples begins: 0.11 s were seen on the emulated chip."""
LONGEST_CONVERSION_S = 0.0002
"""Of one channel in a reading; 0.1 ms on the emulated chip."""
TRIES = 16
"""Where one frame in five is lost, one exchange in 1e7 fails. All of them take 0.8 s of silence, which only a board
that has gone makes us wait, or 2.4 s (`LONGEST_ANSWER_S` each) where bytes keep coming that are no answer, and the
first try's `work_s`. Each repeat is a sign of life to the board, so its host-silent limit does not pass meanwhile."""

_T = TypeVar("_T")


class Exchange:
    """The wire to one board.

    Parameters
    ----------
    link : ByteLink
        The way to the board.
    clock : Clock
        The bench's clock.
    wire_log : WireLog, optional
        Where to log every frame.

    Attributes
    ----------
    received_bytes : int
        What has come from the board so far, damaged or not.
    troubles : int
        How often so far a request had to be repeated, and pieces came that were damaged or answered nothing.
    """

    def __init__(self, link: ByteLink, clock: Clock, wire_log: WireLog | None) -> None:
        self._link = link
        self._clock = clock
        self._log = wire_log
        self._decoder = Decoder()
        self._seq = 0
        self.received_bytes = 0
        self.troubles = 0

    @property
    def name(self) -> str:
        """What messages call this board."""
        return f"Relay board on {self._link.name}"

    @property
    def port(self) -> str:
        """Name of the link."""
        return self._link.name

    def resynchronise(self) -> None:
        """End whatever a program before us left half sent."""
        self._write(b"\0")

    def close(self) -> None:
        """Give the port back. Safe to repeat."""
        self._link.close()

    def ask(
        self, kind: int, body: bytes, unpack: Callable[[bytes], _T], *, tries: int = TRIES, work_s: float = 0.0
    ) -> _T:
        """Send one request, the same frame again on silence, and return its answer, unpacked.

        `work_s` is what the board needs for the request itself, before it answers. Only the first try waits for it: a
        repeat is answered from memory, and an answer that comes during a later try is taken too.
        Damaged pieces, answers to earlier requests and whatever else comes are passed over. An answer that the CRC
        calls whole but that cannot be unpacked is a LinkError.
        """
        self._seq = (self._seq + 1) % 256
        frame = encode(self._seq, kind, body)
        began_s, received_bytes = self._clock.now(), self.received_bytes
        for attempt in range(tries):
            self.troubles += attempt > 0
            self._note(">", self._seq, kind, body)
            self._write(frame)
            sent_s = self._clock.now()
            waits_s = 0.0 if attempt else work_s
            deadline = sent_s + waits_s + ANSWER_S
            while True:
                rejected = self._decoder.rejected
                data = self._read(deadline)
                if data:
                    deadline = max(deadline, min(self._clock.now() + ANSWER_S, sent_s + waits_s + LONGEST_ANSWER_S))
                frames = self._decoder.feed(data)
                answers = [
                    (answer_kind, answer)
                    for seq, answer_kind, answer in frames
                    if seq == self._seq and answer_kind in (kind | messages.ANSWER, messages.REFUSED)
                ]
                self._note_received(frames, len(frames) - bool(answers), self._decoder.rejected - rejected)
                if answers:
                    answer_kind, answer = answers[0]
                    try:
                        if answer_kind == messages.REFUSED:
                            self._refused(messages.unpack_refused(answer))
                        return unpack(answer)
                    except ValueError as error:
                        self.nonsense(str(error), error)
                if self._clock.now() >= deadline:
                    break
        raise LinkTimeout(
            f"{self.name}: no answer in {tries} tries within {self._clock.now() - began_s:.1f} s; "
            + ("what came is none." if self.received_bytes > received_bytes else "nothing came."),
            hint="Is the board's supply on and its USB cable plugged in at both ends? Then another cable or socket.",
        )

    def _read(self, deadline: float) -> bytes:
        try:
            data = self._link.read(deadline)
        except LinkError:
            raise
        except OSError as error:
            self._lost(error)
        self.received_bytes += len(data)
        return data

    def _write(self, data: bytes) -> None:
        try:
            self._link.write(data)
        except LinkError:
            raise
        except OSError as error:
            self._lost(error)

    def _lost(self, error: OSError) -> NoReturn:
        raise LinkError(
            f"{self.name}: the port failed ({error}).",
            hint="Is the USB cable plugged in at both ends and the board's lamp lit? Then another cable or socket.",
        ) from error

    def _refused(self, refused: messages.Refused) -> NoReturn:
        what, hint = refusal_words(refused.code, refused.detail)
        if refused.code == messages.TRIPPED:
            for cause in TripCause:
                if cause.value == refused.detail:
                    what, hint = CAUSE_WORDS[cause], CAUSE_HINTS[cause]
            raise InterlockOpen(f"{self.name}: switched everything off: {what}.", hint=hint)
        if refused.code == messages.INTERLOCK_OPEN:
            raise InterlockOpen(f"{self.name}: refused: {what}.", hint=hint)
        request = kind_name(refused.request_kind)
        raise RefusedError(
            f"{self.name}: refused {request}: {what}.", hint=hint, code=refused.code, detail=refused.detail
        )

    def nonsense(self, what: str, error: Exception | None = None) -> NoReturn:
        """Raise the LinkError for a whole answer that does not fit the question."""
        raise LinkError(
            f"{self.name}: a complete answer came that does not match the request ({what}).",
            hint="Do program and firmware come from the same release? Does another program use this port?",
        ) from error

    def _note(self, direction: str, seq: int, kind: int, body: bytes) -> None:
        if self._log is not None:
            self._log.frame(self._clock.now(), direction, seq, kind, body)

    def _note_received(self, frames: list[tuple[int, int, bytes]], unasked: int, damaged: int) -> None:
        self.troubles += unasked + damaged
        for seq, kind, body in frames:
            self._note("<", seq, kind, body)
        if self._log is not None and damaged:
            self._log.damaged(self._clock.now(), damaged)
