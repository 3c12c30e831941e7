"""The board's own logic: a state machine over the port (PROTOCOL.md sections 4 to 8).

Takes bytes, gives bytes, and switches the outputs through a port object whose methods typed.py lists. Waits for nothing
and reads time only from the port, so the same file runs on the board and in the simulator.

On the board the main loop is ``port.send(board.receive(port.arrived()))`` and ``board.tick()``, for ever.
"""

import struct

from firmware_protocol.frame import MAX_BODY, Decoder, encode
from firmware_protocol.messages import (
    ALL_INPUTS,
    ALL_OUTPUTS,
    ANSWER,
    ARM,
    BAD_LENGTH,
    BLOCK,
    BLOCK_TOO_LARGE,
    CAPTURE,
    CAPTURE_TOO_LARGE,
    CAUSE_COIL_TIME,
    CAUSE_ESTOP,
    CAUSE_GUARD,
    CAUSE_NONE,
    CAUSE_OVER_CURRENT,
    CAUSE_PERSISTS,
    CAUSE_SILENT,
    CLEAR,
    COIL,
    COIL_CURRENT,
    COIL_MAX_MS,
    CONFLICT,
    DISARM,
    ESTOP_OK,
    GUARD_CLOSED,
    HELLO,
    IDENTITY_BYTES,
    INTERLOCK_OPEN,
    MAJOR,
    MAX_BLOCK_BYTES,
    MAX_CHANNELS,
    METER,
    MINOR,
    NEVER,
    NO_CAPTURE,
    NO_HELLO,
    NOT_ARMED,
    NOT_RECORDED,
    OUT_OF_RANGE,
    PROGRESS,
    READ,
    REFUSED,
    REQUEST_BYTES,
    SET,
    SILENT_MAX_MS,
    SILENT_MIN_MS,
    STATUS,
    SWITCH_PENDING,
    TOO_FAST,
    TRIPPED,
    UNKNOWN_KIND,
    Block,
    Capture,
    FieldError,
    Hello,
    Progress,
    Reading,
    Refused,
    Status,
    pack_block,
    pack_hello,
    pack_progress,
    pack_reading,
    pack_refused,
    pack_status,
    unpack_arm,
    unpack_block_request,
    unpack_capture,
    unpack_read,
    unpack_set,
)

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from firmware_protocol.typed import Arm, Port

__all__ = ["Board"]

_U32 = 0xFFFFFFFF
JUDGED_WORDS = 2048  # capture words looked at in one go for over-current: 4 KB at most on the board
READ_BETWEEN_TICKS = 16  # conversions of each channel in a READ before the rules are looked at again


class _RefusedError(Exception):
    def __init__(self, code: int, detail: int) -> None:
        super().__init__(code)
        self.code = code
        self.detail = detail


class Board:
    """One relay and converter board.

    Whatever arrives, nothing is raised and an output is on only while the rules allow it: armed, interlocks closed,
    host heard within its limit, coil on no longer than its limit, coil current below its limit. Every rule is judged
    in `tick`, and at the start of `receive`.

    Parameters
    ----------
    port : Port
        The hardware; see typed.py.
    identity : bytes
        Eight bytes that tell this board from every other.
    build : int
        Firmware build, 0 to 4294967295.
    channels : iterable of (quantity, bits, full_scale_mv)
        One entry per analog channel, 1 to 8 of them, in index order. Channel 0 carries the coil current.

    Attributes
    ----------
    outputs : int
        Outputs that are driven now.
    armed : bool
        Whether outputs may be on.
    cause : int
        Latched cause of the last trip, `CAUSE_NONE` if cleared.
    rejected : int
        Damaged frames received since start.

    Raises
    ------
    ValueError
        If identity, build or channels do not fit the protocol.
    """

    def __init__(
        self,
        port: "Port",
        identity: bytes,
        build: int,
        channels: "Iterable[tuple[int, int, int]]",
    ) -> None:
        self._port = port
        self._hello = Hello(
            MAJOR,
            MINOR,
            build,
            bytes(identity),
            ALL_OUTPUTS,
            port.capture_words,
            MAX_BODY,
            SILENT_MIN_MS,
            SILENT_MAX_MS,
            COIL_MAX_MS,
            tuple([(entry[0], entry[1], entry[2]) for entry in channels]),
        )
        pack_hello(self._hello)  # raises on what would not fit
        if len(identity) != IDENTITY_BYTES or not 1 <= len(self._hello.channels) <= MAX_CHANNELS:
            raise ValueError(f"identity of {len(identity)} bytes and {len(self._hello.channels)} channels")
        if self._hello.channels[0][0] != COIL_CURRENT:
            raise ValueError("channel 0 must carry the coil current")
        self._decoder = Decoder()
        self._handlers: "dict[int, Callable[[bytes], bytes]]" = {
            HELLO: self._on_hello,
            STATUS: self._on_status,
            ARM: self._on_arm,
            DISARM: self._on_disarm,
            SET: self._on_set,
            CLEAR: self._on_clear,
            READ: self._on_read,
            CAPTURE: self._on_capture,
            PROGRESS: self._on_progress,
            BLOCK: self._on_block,
        }
        self.outputs = 0
        self.armed = False
        self.cause = CAUSE_NONE
        self._cause_ms = 0
        self._greeted = False
        self._last_request: "tuple[int, int, bytes] | None" = None
        self._last_answer = b""
        self._heard_us = port.now_us()
        self._silent_us = 0
        self._coil_limit_us = 0
        self._over_current_raw = 0
        self._coil_on_us = 0
        self._capture: "Capture | None" = None
        self._capture_channels = 0
        self._capture_us = 0
        self._judged = 0  # samples of the capture already looked at for over-current
        self._pending: "list[tuple[int, int]]" = []  # (due_us, outputs): the capture's switches still to come
        self._switched_us = NEVER
        self._released_us = NEVER
        port.write_outputs(0)

    @property
    def rejected(self) -> int:
        """Damaged frames received since start."""
        return self._decoder.rejected

    @property
    def capturing(self) -> bool:
        """Whether a capture is still recording."""
        return self._capture is not None and self._port.capture_recorded() < self._capture.samples

    def receive(self, data: bytes) -> bytes:
        """Take in received bytes, act on the frames completed by them, return the answers.

        Parameters
        ----------
        data : bytes
            What arrived, cut anywhere; may be empty.

        Returns
        -------
        bytes
            Whole frames to send, empty if no request was completed.
        """
        self.tick()  # what was due before this frame comes first: a late frame does not undo the silence before it
        out = b""
        for seq, kind, body in self._decoder.feed(data):
            self._heard_us = self._port.now_us()
            out += self._answer(seq, kind, body)
        return out

    def tick(self) -> None:
        """Judge every rule and make the capture's switches that are due. Call as often as possible."""
        if self.armed:
            cause = self._broken_rule()
            if cause != CAUSE_NONE:
                self._trip(cause)
        while self._pending and self._port.now_us() >= self._pending[0][0]:
            self._switch()

    def next_due_us(self) -> "int | None":
        """Board time at which `tick` next has something of its own to do.

        Returns
        -------
        int or None
            The earliest of silence limit, coil-time limit and capture switch, in microseconds; None if there is none.
            Pins and coil current are not foreseen: they are judged whenever `tick` is called.
        """
        due = None
        if self.armed:
            due = self._heard_us + self._silent_us
            if self.outputs & COIL:
                due = min(due, self._coil_on_us + self._coil_limit_us)
        if self._pending:
            due = self._pending[0][0] if due is None else min(due, self._pending[0][0])
        return due

    # Rules

    def _broken_rule(self) -> int:
        inputs = self._port.read_inputs()
        if not inputs & ESTOP_OK:
            return CAUSE_ESTOP
        if not inputs & GUARD_CLOSED:
            return CAUSE_GUARD
        now = self._port.now_us()
        if self.outputs & COIL:
            if self._over_current():
                return CAUSE_OVER_CURRENT
            if now - self._coil_on_us >= self._coil_limit_us:
                return CAUSE_COIL_TIME
        if now - self._heard_us >= self._silent_us:
            return CAUSE_SILENT
        return CAUSE_NONE

    def _over_current(self) -> bool:
        capture = self._capture
        if capture is not None and capture.channel_mask & (1 << COIL_CURRENT):
            recorded = self._port.capture_recorded()
            channels = self._capture_channels
            while self._judged < recorded:
                count = min(recorded - self._judged, JUDGED_WORDS // channels)
                block = self._port.capture_block(self._judged, count)
                words = struct.unpack("<%dH" % (count * channels), block)
                self._judged += count
                # Channel 0 is the first word of each sample. By way of a list: MicroPython steps through no other.
                if max(words if channels == 1 else list(words)[::channels]) >= self._over_current_raw:
                    return True
            if recorded < capture.samples:
                return False
        return self._port.read_channel(COIL_CURRENT) >= self._over_current_raw

    def _trip(self, cause: int) -> None:
        self._all_off()
        self.cause = cause
        self._cause_ms = self._now_ms()

    def _all_off(self) -> None:
        self.armed = False
        self._pending = []
        self._drive(0)

    def _drive(self, outputs: int) -> None:
        if self.outputs & ~outputs and outputs & ~self.outputs:
            # Open before close: matters between COIL and METER, does no harm elsewhere.
            self._port.write_outputs(self.outputs & outputs)
        self._port.write_outputs(outputs)
        if outputs & COIL and not self.outputs & COIL:
            self._coil_on_us = self._port.now_us()
            if self._capture is not None:
                self._judged = self._port.capture_recorded()  # earlier samples belong to a dead coil
        self.outputs = outputs

    def _switch(self) -> None:
        outputs = self._pending.pop(0)[1]
        if outputs and not self.armed:
            self._pending = []
            return
        self._drive(outputs)
        at_us = min(self._port.now_us() - self._capture_us, NEVER - 1)
        if self._switched_us == NEVER:
            self._switched_us = at_us
        else:
            self._released_us = at_us

    def _demand(self, outputs: int) -> None:
        """Refuse a set of outputs that may not be on."""
        if outputs & COIL and outputs & METER:
            raise _RefusedError(CONFLICT, outputs)
        if outputs and not self.armed:
            if self.cause != CAUSE_NONE:
                raise _RefusedError(TRIPPED, self.cause)
            raise _RefusedError(NOT_ARMED, 0)

    # Messages

    def _answer(self, seq: int, kind: int, body: bytes) -> bytes:
        request = (seq, kind, body)
        if request == self._last_request:
            return self._last_answer
        try:
            answer = encode(seq, kind | ANSWER, self._act(kind, body))
        except FieldError as error:
            answer = encode(seq, REFUSED, pack_refused(Refused(kind, OUT_OF_RANGE, error.offset)))
        except _RefusedError as error:
            answer = encode(seq, REFUSED, pack_refused(Refused(kind, error.code, error.detail)))
        # HELLO starts afresh and is acted on each time it comes.
        self._last_request = None if kind == HELLO else request
        self._last_answer = answer
        return answer

    def _act(self, kind: int, body: bytes) -> bytes:
        handler = self._handlers.get(kind)
        if handler is None:
            raise _RefusedError(UNKNOWN_KIND, 0)
        if len(body) != REQUEST_BYTES[kind]:
            raise _RefusedError(BAD_LENGTH, REQUEST_BYTES[kind])
        return handler(body)

    def _now_ms(self) -> int:
        return self._port.now_us() // 1000 & _U32

    def _status(self) -> bytes:
        return pack_status(
            Status(
                self._now_ms(),
                self.outputs,
                self._port.read_inputs() & ALL_INPUTS,
                self.armed,
                self.capturing,
                self.cause,
                self._cause_ms,
            )
        )

    def _on_hello(self, _body: bytes) -> bytes:
        self._all_off()
        self._port.capture_stop()
        self._capture = None
        self._greeted = True
        return pack_hello(self._hello)

    def _on_status(self, _body: bytes) -> bytes:
        return self._status()

    def _on_arm(self, body: bytes) -> bytes:
        arm: "Arm" = unpack_arm(body)
        if not self._greeted:
            raise _RefusedError(NO_HELLO, 0)
        if self.cause != CAUSE_NONE:
            raise _RefusedError(TRIPPED, self.cause)
        inputs = self._port.read_inputs() & ALL_INPUTS
        if inputs != ALL_INPUTS:
            raise _RefusedError(INTERLOCK_OPEN, inputs)
        self._silent_us = arm.host_silent_ms * 1000
        self._coil_limit_us = arm.coil_limit_ms * 1000
        self._over_current_raw = arm.over_current_raw
        self.armed = True
        return self._status()

    def _on_disarm(self, _body: bytes) -> bytes:
        self._all_off()
        return self._status()

    def _on_set(self, body: bytes) -> bytes:
        outputs = unpack_set(body)
        self._demand(outputs)
        self._pending = []  # the later command holds: a capture must not switch on what was just switched off
        self._drive(outputs)
        return self._status()

    def _on_clear(self, _body: bytes) -> bytes:
        inputs = self._port.read_inputs()
        if (
            (self.cause == CAUSE_ESTOP and not inputs & ESTOP_OK)
            or (self.cause == CAUSE_GUARD and not inputs & GUARD_CLOSED)
            or (
                self.cause == CAUSE_OVER_CURRENT
                and self._port.read_channel(COIL_CURRENT) >= self._over_current_raw
            )
        ):
            raise _RefusedError(CAUSE_PERSISTS, self.cause)
        self.cause = CAUSE_NONE
        self._cause_ms = 0
        return self._status()

    def _on_read(self, body: bytes) -> bytes:
        read = unpack_read(body)
        indices = self._indices(read.channel_mask, 0)
        sums = [0] * len(indices)
        for done in range(read.samples):
            if done % READ_BETWEEN_TICKS == READ_BETWEEN_TICKS - 1:
                self.tick()  # a long reading must not hold up the rules
            for i in range(len(indices)):
                sums[i] += self._port.read_channel(indices[i])
        return pack_reading(Reading(read.samples, tuple(sums)))

    def _on_capture(self, body: bytes) -> bytes:
        wanted = unpack_capture(body)
        channels = len(self._indices(wanted.channel_mask, 1))
        if wanted.samples * channels > self._port.capture_words:
            raise _RefusedError(CAPTURE_TOO_LARGE, self._port.capture_words)
        if self._pending:
            raise _RefusedError(SWITCH_PENDING, len(self._pending))
        pending = []
        if wanted.switch_at != NEVER:
            self._demand(wanted.switch_outputs)
            pending.append((wanted.switch_at * wanted.period_us, wanted.switch_outputs))
        if wanted.release_at != NEVER:
            self._demand(wanted.release_outputs)
            pending.append((wanted.release_at * wanted.period_us, wanted.release_outputs))
        self._port.capture_stop()
        self._capture = None
        start_us = self._port.now_us()
        try:
            self._port.capture_start(wanted.channel_mask, wanted.period_us, wanted.samples)
        except ValueError:
            raise _RefusedError(TOO_FAST, 0) from None
        self._capture = wanted
        self._capture_channels = channels
        self._capture_us = start_us
        self._judged = 0
        self._switched_us = NEVER
        self._released_us = NEVER
        self._pending = [(start_us + after_us, outputs) for after_us, outputs in pending]
        if wanted.switch_at == 0:
            self._switch()
        return self._progress(wanted)

    def _on_progress(self, _body: bytes) -> bytes:
        if self._capture is None:
            raise _RefusedError(NO_CAPTURE, NEVER)
        return self._progress(self._capture)

    def _progress(self, capture: "Capture") -> bytes:
        recorded = self._port.capture_recorded()
        return pack_progress(
            Progress(
                capture.capture_id,
                recorded,
                capture.samples,
                recorded >= capture.samples,
                self._switched_us,
                self._released_us,
            )
        )

    def _on_block(self, body: bytes) -> bytes:
        wanted = unpack_block_request(body)
        if self._capture is None or self._capture.capture_id != wanted.capture_id:
            raise _RefusedError(NO_CAPTURE, NEVER if self._capture is None else self._capture.capture_id)
        channels = self._capture_channels
        most = MAX_BLOCK_BYTES // (2 * channels)
        if wanted.count > most:
            raise _RefusedError(BLOCK_TOO_LARGE, most)
        recorded = self._port.capture_recorded()
        if wanted.first + wanted.count > recorded:
            raise _RefusedError(NOT_RECORDED, recorded)
        data = self._port.capture_block(wanted.first, wanted.count)
        return pack_block(Block(wanted.capture_id, wanted.first, wanted.count, channels, data))

    def _indices(self, channel_mask: int, offset: int) -> "list[int]":
        """Channel indices in a mask; refused if the board has no such channel."""
        count = len(self._hello.channels)
        if channel_mask >> count:
            raise _RefusedError(OUT_OF_RANGE, offset)
        return [i for i in range(count) if channel_mask >> i & 1]
