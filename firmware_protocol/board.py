"""The board's own logic: a state machine over the port (PROTOCOL.md sections 4 to 8).

Takes bytes, gives bytes, and switches the outputs through a port object whose methods typed.py lists. Waits for nothing
and reads time only from the port, so the same file runs on the board and in the simulator.

On the board the main loop is ``port.send(board.receive(port.arrived()))`` and ``board.tick()``, for ever.
"""

from firmware_protocol import knowledge
from firmware_protocol import messages as m
from firmware_protocol.frame import Decoder, encode
from firmware_protocol.repeats import Repeats
from firmware_protocol.running_capture import RunningCapture, channels_in

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from firmware_protocol.typed import Port

__all__ = ["Board"]

_U32 = 0xFFFFFFFF
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
    started : tuple of (reset_reason, unique, firmware, text)
        For ABOUT: why the board started, the chip's own number (16 bytes at most), a digest of the firmware (8 bytes),
        and what it runs on (64 characters at most).

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
    after_rules : callable
        Called whenever all rules have been judged; does nothing unless it is set. On the board it feeds the watchdog.

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
        started: "tuple[int, bytes, bytes, str]" = (m.RESET_UNKNOWN, b"", bytes(m.DIGEST_BYTES), ""),
    ) -> None:
        self._port = port
        self._started = started
        self._hello = knowledge.hello(port.capture_words, identity, build, channels)
        self._decoder = Decoder()
        self._handlers: "dict[int, Callable[[bytes], bytes]]" = {
            m.HELLO: self._on_hello,
            m.STATUS: self._on_status,
            m.ARM: self._on_arm,
            m.DISARM: self._on_disarm,
            m.SET: self._on_set,
            m.CLEAR: self._on_clear,
            m.READ: self._on_read,
            m.CAPTURE: self._on_capture,
            m.PROGRESS: self._on_progress,
            m.BLOCK: self._on_block,
            m.ABOUT: self._on_about,
            m.SELF_TEST: self._on_self_test,
        }
        self.after_rules: "Callable[[], None]" = lambda: None
        self.outputs = 0
        self.armed = False
        self.cause = m.CAUSE_NONE
        self._cause_ms = 0
        self._greeted = False
        self._repeats = Repeats()
        self._heard_us = port.now_us()
        self._silent_us = 0
        self._coil_limit_us = 0
        self._over_current_raw = 0
        self._coil_on_us = 0
        self._recording: "RunningCapture | None" = None
        port.write_outputs(0)

    @property
    def rejected(self) -> int:
        """Damaged frames received since start."""
        return self._decoder.rejected

    @property
    def capturing(self) -> bool:
        """Whether a capture is still recording."""
        return self._recording is not None and self._recording.running()

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
            if self._repeats.overtaken(seq, kind):
                continue
            self._heard_us = self._port.now_us()
            out += self._answer(seq, kind, body)
        return out

    def tick(self) -> None:
        """Judge every rule and make the capture's switches that are due. Call as often as possible."""
        if self.armed:
            cause = self._broken_rule()
            if cause != m.CAUSE_NONE:
                self._trip(cause)
        if self._recording is not None:
            due = self._recording.due_us()
            while due is not None and self._port.now_us() >= due:
                self._switch(self._recording)
                due = self._recording.due_us()
        self.after_rules()

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
            if self.outputs & m.COIL:
                due = min(due, self._coil_on_us + self._coil_limit_us)
        switch = None if self._recording is None else self._recording.due_us()
        if due is None or switch is None:
            return switch if due is None else due
        return min(due, switch)

    # Rules

    def _broken_rule(self) -> int:
        inputs = self._port.read_inputs()
        if not inputs & m.ESTOP_OK:
            return m.CAUSE_ESTOP
        if not inputs & m.GUARD_CLOSED:
            return m.CAUSE_GUARD
        now = self._port.now_us()
        if self.outputs & m.COIL:
            if self._over_current():
                return m.CAUSE_OVER_CURRENT
            if now - self._coil_on_us >= self._coil_limit_us:
                return m.CAUSE_COIL_TIME
        if now - self._heard_us >= self._silent_us:
            return m.CAUSE_SILENT
        return m.CAUSE_NONE

    def _over_current(self) -> bool:
        recording = self._recording
        if recording is not None and recording.judges_current():
            if recording.over_current(self._over_current_raw):
                return True
            if recording.running():
                return False
        return self._port.read_channel(m.COIL_CURRENT) >= self._over_current_raw

    def _trip(self, cause: int) -> None:
        self._all_off()
        self.cause = cause
        self._cause_ms = self._now_ms()

    def _all_off(self) -> None:
        self.armed = False
        self._cancel()
        self._drive(0)

    def _cancel(self) -> None:
        if self._recording is not None:
            self._recording.cancel()

    def _drive(self, outputs: int) -> int:
        if self.outputs & ~outputs and outputs & ~self.outputs:
            # Open before close: matters between COIL and METER, does no harm elsewhere.
            self._port.write_outputs(self.outputs & outputs)
        at_us = self._port.write_outputs(outputs)
        if outputs & m.COIL and not self.outputs & m.COIL:
            self._coil_on_us = at_us
            if self._recording is not None:
                self._recording.pass_over()
        self.outputs = outputs
        return at_us

    def _switch(self, recording: RunningCapture) -> None:
        outputs = recording.take_switch()
        if outputs and not self.armed:
            recording.cancel()
        else:
            recording.note_switch(self._drive(outputs))

    def _demand(self, outputs: int) -> None:
        """Refuse a set of outputs that may not be on."""
        if outputs & m.COIL and outputs & m.METER:
            raise _RefusedError(m.CONFLICT, outputs)
        if outputs and not self.armed:
            if self.cause != m.CAUSE_NONE:
                raise _RefusedError(m.TRIPPED, self.cause)
            raise _RefusedError(m.NOT_ARMED, 0)

    # Messages

    def _answer(self, seq: int, kind: int, body: bytes) -> bytes:
        again = self._repeats.answer_again(seq, kind, body)
        if again is not None:
            return again
        try:
            answer = encode(seq, kind | m.ANSWER, self._act(kind, body))
        except m.FieldError as error:
            answer = encode(seq, m.REFUSED, m.pack_refused(m.Refused(kind, m.OUT_OF_RANGE, error.offset)))
        except _RefusedError as error:
            answer = encode(seq, m.REFUSED, m.pack_refused(m.Refused(kind, error.code, error.detail)))
        self._repeats.keep(seq, kind, body, answer)
        return answer

    def _act(self, kind: int, body: bytes) -> bytes:
        handler = self._handlers.get(kind)
        if handler is None:
            raise _RefusedError(m.UNKNOWN_KIND, 0)
        if len(body) != m.REQUEST_BYTES[kind]:
            raise _RefusedError(m.BAD_LENGTH, m.REQUEST_BYTES[kind])
        return handler(body)

    def _now_ms(self) -> int:
        return self._port.now_us() // 1000 & _U32

    def _status(self) -> bytes:
        return m.pack_status(
            m.Status(
                self._now_ms(),
                self.outputs,
                self._port.read_inputs() & m.ALL_INPUTS,
                self.armed,
                self.capturing,
                self.cause,
                self._cause_ms,
            )
        )

    def _on_hello(self, _body: bytes) -> bytes:
        self._all_off()
        self._port.capture_stop()
        self._recording = None
        self._greeted = True
        return m.pack_hello(self._hello)

    def _on_status(self, _body: bytes) -> bytes:
        return self._status()

    def _on_arm(self, body: bytes) -> bytes:
        arm = m.unpack_arm(body)
        if not self._greeted:
            raise _RefusedError(m.NO_HELLO, 0)
        if self.cause != m.CAUSE_NONE:
            raise _RefusedError(m.TRIPPED, self.cause)
        inputs = self._port.read_inputs() & m.ALL_INPUTS
        if inputs != m.ALL_INPUTS:
            raise _RefusedError(m.INTERLOCK_OPEN, inputs)
        self._silent_us = arm.host_silent_ms * 1000
        self._coil_limit_us = arm.coil_limit_ms * 1000
        self._over_current_raw = arm.over_current_raw
        self.armed = True
        return self._status()

    def _on_disarm(self, _body: bytes) -> bytes:
        self._all_off()
        return self._status()

    def _on_set(self, body: bytes) -> bytes:
        outputs = m.unpack_set(body)
        self._demand(outputs)
        self._cancel()  # the later command holds: a capture must not switch on what was just switched off
        self._drive(outputs)
        return self._status()

    def _on_clear(self, _body: bytes) -> bytes:
        inputs = self._port.read_inputs()
        if (
            (self.cause == m.CAUSE_ESTOP and not inputs & m.ESTOP_OK)
            or (self.cause == m.CAUSE_GUARD and not inputs & m.GUARD_CLOSED)
            or (
                self.cause == m.CAUSE_OVER_CURRENT and self._port.read_channel(m.COIL_CURRENT) >= self._over_current_raw
            )
        ):
            raise _RefusedError(m.CAUSE_PERSISTS, self.cause)
        self.cause = m.CAUSE_NONE
        self._cause_ms = 0
        return self._status()

    def _on_read(self, body: bytes) -> bytes:
        read = m.unpack_read(body)
        self._demand_channels(read.channel_mask, 0)
        indices = [i for i in range(m.MAX_CHANNELS) if read.channel_mask >> i & 1]
        sums = [0] * len(indices)
        for done in range(read.samples):
            if done % READ_BETWEEN_TICKS == READ_BETWEEN_TICKS - 1:
                self.tick()  # a long reading must not hold up the rules
            for i in range(len(indices)):
                sums[i] += self._port.read_channel(indices[i])
        return m.pack_reading(m.Reading(read.samples, tuple(sums)))

    def _on_capture(self, body: bytes) -> bytes:
        wanted = m.unpack_capture(body)
        self._demand_channels(wanted.channel_mask, 1)
        if wanted.samples * channels_in(wanted.channel_mask) > self._port.capture_words:
            raise _RefusedError(m.CAPTURE_TOO_LARGE, self._port.capture_words)
        if self._recording is not None and self._recording.switches_to_come():
            raise _RefusedError(m.SWITCH_PENDING, self._recording.switches_to_come())
        if wanted.switch_at != m.NEVER:
            self._demand(wanted.switch_outputs)
        if wanted.release_at != m.NEVER:
            self._demand(wanted.release_outputs)
        try:
            recording = RunningCapture(self._port, wanted)
        except ValueError:
            raise _RefusedError(m.TOO_FAST, 0) from None
        self._recording = recording
        if wanted.switch_at == 0:
            self._switch(recording)
        return recording.progress()

    def _on_progress(self, _body: bytes) -> bytes:
        if self._recording is None:
            raise _RefusedError(m.NO_CAPTURE, m.NEVER)
        return self._recording.progress()

    def _on_block(self, body: bytes) -> bytes:
        wanted = m.unpack_block_request(body)
        recording = self._recording
        if recording is None:
            raise _RefusedError(m.NO_CAPTURE, m.NEVER)
        if recording.wanted.capture_id != wanted.capture_id:
            raise _RefusedError(m.NO_CAPTURE, recording.wanted.capture_id)
        most = m.MAX_BLOCK_BYTES // (2 * recording.channels)
        if wanted.count > most:
            raise _RefusedError(m.BLOCK_TOO_LARGE, most)
        recorded = recording.recorded()
        if wanted.first + wanted.count > recorded:
            raise _RefusedError(m.NOT_RECORDED, recorded)
        return recording.block(wanted.first, wanted.count)

    def _on_about(self, _body: bytes) -> bytes:
        return knowledge.about(self._port, self._started, self.rejected)

    def _on_self_test(self, _body: bytes) -> bytes:
        if self.capturing:
            raise _RefusedError(m.BUSY, 0)  # the converter is the capture's
        return knowledge.self_test(self._port, self.outputs)

    def _demand_channels(self, channel_mask: int, offset: int) -> None:
        """Refuse a channel that the board does not have."""
        if channel_mask >> len(self._hello.channels):
            raise _RefusedError(m.OUT_OF_RANGE, offset)
