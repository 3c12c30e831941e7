"""Relay board: six outputs, four analog channels and two interlock inputs behind firmware_protocol (PROTOCOL.md).

Every request states the wanted end and is safe to repeat: the board answers a repeated sequence number from memory
without acting again, so a lost answer never switches anything twice.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from benchrig.analysis.results import Samples
from benchrig.clock import Clock
from benchrig.drivers.board_types import (
    BoardIdentity,
    BoardStatus,
    CapturePlan,
    CaptureProgress,
    Channel,
    ChannelFacts,
    Output,
    TripCause,
)
from benchrig.drivers.exchange import ANSWER_S, BLOCK_WORK_S, LONGEST_CONVERSION_S, TRIES, Exchange
from benchrig.drivers.links import ByteLink
from benchrig.drivers.wire_log import WireLog
from benchrig.errors import ConfigError, DeviceError, LinkError, LinkTimeout
from firmware_protocol import messages

__all__ = [
    "ANSWER_S",
    "TRIES",
    "BoardIdentity",
    "BoardStatus",
    "CapturePlan",
    "CaptureProgress",
    "Channel",
    "ChannelFacts",
    "Output",
    "RelayBoard",
    "TripCause",
]

HELLO_TRIES = 20
"""A board that restarts when its port is opened needs up to a second; nothing is switched on yet."""
RESUMES = 3
"""So often does one `fetch` go on after a block that did not come, as long as the board still holds the capture."""
LEAST_BLOCK = 16
"""Samples: after a block that did not come blocks are halved, down to this, as short frames come through more often."""
FULL_SCALE = 65536.0
"""Samples are 16 bits wide, left-justified, whatever the converter."""


class RelayBoard:
    """One relay board.

    Any method raises `LinkTimeout` when the board does not answer in `TRIES` tries, `LinkError` when the port fails,
    `DeviceError` when it refuses, and `InterlockOpen` when it refuses because it tripped or an interlock is open.

    Parameters
    ----------
    link : ByteLink
        The way to the board.
    clock : Clock
        The bench's clock.
    wire_log : WireLog, optional
        Where to log every frame.
    """

    def __init__(self, link: ByteLink, clock: Clock, *, wire_log: WireLog | None = None) -> None:
        self._wire = Exchange(link, clock, wire_log)
        self._clock = clock
        self._wire_log = wire_log
        self._met = ""
        self._capture_id = 0
        self._capture_channels: tuple[Channel, ...] = ()
        self._identity: BoardIdentity | None = None

    @property
    def name(self) -> str:
        """What messages call this board."""
        return self._wire.name

    # ---- greeting, state, arming

    def hello(self) -> BoardIdentity:
        """Greet the board. It switches everything off, disarms and drops its capture; a latched cause stays.

        Raises
        ------
        LinkError
            No relay board answers on this port, or another one than before.
        ConfigError
            The board speaks another version of the protocol, or has not the channels that a bench needs.
        """
        self._identity = None
        self._wire.resynchronise()
        received_bytes = self._wire.received_bytes
        try:
            answer = messages.unpack_hello(self._wire.ask(messages.HELLO, b"", bytes, tries=HELLO_TRIES))
        except LinkTimeout as error:
            garbage = self._wire.received_bytes > received_bytes
            raise LinkTimeout(
                f"No relay board answered on {self._wire.port} within {HELLO_TRIES * ANSWER_S:g} s: "
                + ("what came back is not the board's protocol." if garbage else "nothing came back."),
                hint="Is the board's supply on, and is this the board's port ([board] port in the bench file)?"
                + (" Is the firmware on it? 'benchrig board info' tells." if garbage else ""),
            ) from error
        except ValueError as error:
            raise LinkError(
                f"What answered on {self._wire.port} is no relay board that this program knows ({error}).",
                hint="Is this the board's port? If it is: is the firmware on it the one that came with this program?",
            ) from error
        if answer.major != messages.MAJOR:
            older = "the board's firmware" if answer.major < messages.MAJOR else "this program"
            raise ConfigError(
                f"{self.name}: speaks protocol {answer.major}.{answer.minor}, this program {messages.MAJOR}.x.",
                hint=f"Update {older}.",
            )
        indices = {channel.value: channel for channel in Channel}
        channels = {
            indices[index]: ChannelFacts(bits, full_scale_mv / 1000.0)
            for index, (quantity, bits, full_scale_mv) in enumerate(answer.channels)
            if index in indices and quantity == index
        }
        missing = [channel.name.lower().replace("_", " ") for channel in Channel if channel not in channels]
        if missing or answer.outputs & messages.ALL_OUTPUTS != messages.ALL_OUTPUTS:
            raise ConfigError(
                f"{self.name}: "
                + (f"does not measure {', '.join(missing)}." if missing else "has not all the outputs of a bench."),
                hint="Is this board built and configured for this bench? Its channel table comes with the firmware.",
            )
        identity = answer.identity.rstrip(b"\0 ").decode("ascii", errors="backslashreplace")
        if self._met and identity != self._met:
            raise LinkError(
                f"{self.name}: another board answers now: {identity!r}, where {self._met!r} was before.",
                hint="Which board is plugged in here? Plug the bench's own board in again, then start the run again.",
            )
        self._met = identity
        self._identity = BoardIdentity(
            identity=identity,
            build=answer.build,
            major=answer.major,
            minor=answer.minor,
            capture_words=answer.capture_words,
            max_body=answer.max_body,
            silent_min_s=answer.silent_min_ms / 1000.0,
            silent_max_s=answer.silent_max_ms / 1000.0,
            coil_max_s=answer.coil_max_ms / 1000.0,
            channels=channels,
        )
        return self._identity

    def reconnect(self, link: ByteLink) -> BoardIdentity:
        """Go on over another link after the one before died: greet, and make sure that it is the same board.

        As after any HELLO all outputs are off, the board is not armed and holds no capture.

        Parameters
        ----------
        link : ByteLink
            The new way to the board. The old one is left as it is.

        Raises
        ------
        LinkError
            Another board answers, or none.
        """
        self._wire = Exchange(link, self._clock, self._wire_log)
        self._capture_channels = ()
        return self.hello()

    @property
    def troubles(self) -> int:
        """How often so far a request had to be repeated, and pieces came that were damaged or answered nothing."""
        return self._wire.troubles

    def status(self) -> BoardStatus:
        """Ask for the state; this also keeps the board from falling silent."""
        return self._status(messages.STATUS, b"")

    def arm(self, host_silent_s: float, coil_limit_s: float, over_current_v: float) -> BoardStatus:
        """Make switching possible, under the board's own limits.

        Parameters
        ----------
        host_silent_s : float
            The board switches everything off when it hears nothing for so long.
        coil_limit_s : float
            The longest that the coil may be on at a time.
        over_current_v : float
            Volts at the coil current's pin above which everything is switched off.

        Raises
        ------
        ConfigError
            The board cannot keep such a limit.
        InterlockOpen
            Emergency stop pressed, guard open, or a cause still latched.
        """
        board = self._greeted()
        full_scale_v = board.channels[Channel.COIL_CURRENT].full_scale_v
        for what, value, low, high, unit in (
            ("host-silent limit", host_silent_s, board.silent_min_s, board.silent_max_s, "s"),
            ("coil limit", coil_limit_s, 0.001, board.coil_max_s, "s"),
            ("over-current limit", over_current_v, full_scale_v / FULL_SCALE, full_scale_v, "V at the pin"),
        ):
            if not low <= value <= high:
                raise ConfigError(
                    f"{self.name}: a {what} of {value:g} {unit} was asked for; it can keep {low:g} to {high:g} {unit}.",
                    hint="Check coil_limit_s in the valve model, over_current_a and volts_per_amp in the bench file.",
                )
        # Above the largest word that the converter gives the board would never trip.
        largest = 65536 - (1 << 16 - board.channels[Channel.COIL_CURRENT].bits)
        raw = min(largest, max(1, round(over_current_v / full_scale_v * FULL_SCALE)))
        body = messages.pack_arm(round(1000 * host_silent_s), round(1000 * coil_limit_s), raw)
        return self._status(messages.ARM, body)

    def disarm(self) -> BoardStatus:
        """Switch everything off and make switching impossible until armed again."""
        return self._status(messages.DISARM, b"")

    def clear(self) -> BoardStatus:
        """Forget the latched cause; refused while the cause persists."""
        return self._status(messages.CLEAR, b"")

    def set_outputs(self, outputs: frozenset[Output]) -> BoardStatus:
        """Switch exactly these outputs on and the others off.

        Returns
        -------
        BoardStatus
            The state reached: the one wanted, or everything off if the board has just tripped (`cause` says why).

        Raises
        ------
        DeviceError
            The board refused, or reached another state.
        InterlockOpen
            It had tripped before.
        """
        status = self._status(messages.SET, messages.pack_set(_output_mask(outputs)))
        if status.outputs != outputs and status.cause is TripCause.NONE:
            wrong = ", ".join(
                f"{output.name.lower()} is {'on' if output in status.outputs else 'off'}"
                for output in Output
                if output in status.outputs ^ outputs
            )
            raise DeviceError(
                f"{self.name}: did not reach the state asked for: {wrong}.",
                hint="Switch the board off and on. If it comes back, the board or its firmware is at fault.",
            )
        return status

    # ---- analog

    def read(self, channels: Iterable[Channel], samples: int) -> dict[Channel, float]:
        """Read channels now.

        Parameters
        ----------
        channels : iterable of Channel
            What to read.
        samples : int
            Conversions to average, 1 to 1000.

        Returns
        -------
        dict of Channel to float
            Mean volts at the pin.
        """
        board = self._greeted()
        ordered = _ordered(channels)
        request = messages.pack_read(_channel_mask(ordered), samples)
        work_s = samples * len(ordered) * LONGEST_CONVERSION_S
        answer = self._wire.ask(messages.READ, request, messages.unpack_reading, work_s=work_s)
        if answer.samples != samples or len(answer.sums) != len(ordered):
            self._wire.nonsense(f"read {len(answer.sums)} channels, {answer.samples} samples")
        return {
            channel: total / answer.samples / FULL_SCALE * board.channels[channel].full_scale_v
            for channel, total in zip(ordered, answer.sums, strict=True)
        }

    def start_capture(self, plan: CapturePlan) -> None:
        """Start a recording, in place of any before it; the board throws its switches by itself."""
        self._greeted()
        ordered = _ordered(plan.channels)
        capture_id = (self._capture_id + 1) % 256
        request = messages.pack_capture(
            messages.Capture(
                capture_id,
                _channel_mask(ordered),
                plan.period_us,
                plan.samples,
                messages.NEVER if plan.switch_at is None else plan.switch_at,
                _output_mask(plan.switch_to),
                messages.NEVER if plan.release_at is None else plan.release_at,
                _output_mask(plan.release_to),
            )
        )
        self._capture_id, self._capture_channels = capture_id, ordered
        self._progress(messages.CAPTURE, request)

    def progress(self) -> CaptureProgress:
        """Ask how far the recording is."""
        return self._progress(messages.PROGRESS, b"")

    def fetch(self, first: int, count: int) -> Samples:
        """Fetch recorded samples, as many in each block as fit.

        Goes on after a block that did not come, from where it was, if the board answers again and still holds the
        capture.

        Parameters
        ----------
        first, count : int
            Which samples; all must have been recorded.

        Returns
        -------
        ndarray, shape (count, channels)
            Volts at the pins, one column a channel in the order of their indices.
        """
        board = self._greeted()
        channels = self._capture_channels
        if not channels:
            raise RuntimeError("fetch before start_capture")
        room = min(board.max_body - messages.BLOCK_HEADER, messages.MAX_BLOCK_BYTES) // (2 * len(channels))
        raw = np.empty((count, len(channels)), dtype=np.uint16)
        done = 0
        resumed = 0
        while done < count:
            asked = min(room, count - done)
            try:
                request = messages.pack_block_request(self._capture_id, first + done, asked)
                block = self._wire.ask(messages.BLOCK, request, messages.unpack_block, work_s=BLOCK_WORK_S)
            except LinkTimeout:
                if resumed == RESUMES:
                    raise
                resumed += 1
                self.progress()  # raises if the board has gone, or has not this capture any more
                room = max(room // 2, LEAST_BLOCK)
                continue
            got = (block.capture_id, block.first, block.count, block.channels)
            if got != (self._capture_id, first + done, asked, len(channels)):
                self._wire.nonsense(
                    f"block of capture {block.capture_id}, {block.count} x {block.channels} samples at {block.first}"
                )
            raw[done : done + asked] = np.frombuffer(block.data, dtype="<u2").reshape(-1, len(channels))
            done += asked
        full_scale_v = np.array([board.channels[channel].full_scale_v for channel in channels])
        return np.asarray(raw / FULL_SCALE * full_scale_v, dtype=np.float64)

    def close(self) -> None:
        """Give the port back. Safe to repeat."""
        self._wire.close()

    # ---- answers

    def _status(self, kind: int, body: bytes) -> BoardStatus:
        status = self._wire.ask(kind, body, messages.unpack_status)
        return BoardStatus(
            outputs=frozenset(output for output in Output if status.outputs & output.value),
            estop_ok=bool(status.inputs & messages.ESTOP_OK),
            guard_closed=bool(status.inputs & messages.GUARD_CLOSED),
            armed=status.armed,
            capturing=status.capturing,
            cause=TripCause(status.cause),
            at_s=status.board_ms / 1000.0,
            cause_at_s=status.cause_ms / 1000.0,
        )

    def _progress(self, kind: int, body: bytes) -> CaptureProgress:
        progress = self._wire.ask(kind, body, messages.unpack_progress)
        if progress.capture_id != self._capture_id:
            self._wire.nonsense(f"progress of capture {progress.capture_id}, not {self._capture_id}")
        return CaptureProgress(
            recorded=progress.recorded,
            samples=progress.samples,
            finished=progress.finished,
            switched_us=None if progress.switched_us == messages.NEVER else progress.switched_us,
            released_us=None if progress.released_us == messages.NEVER else progress.released_us,
        )

    def _greeted(self) -> BoardIdentity:
        if self._identity is None:
            raise RuntimeError("the board was not greeted: call hello first")
        return self._identity


def _output_mask(outputs: Iterable[Output]) -> int:
    return sum(output.value for output in outputs)


def _channel_mask(channels: Iterable[Channel]) -> int:
    return sum(1 << channel.value for channel in channels)


def _ordered(channels: Iterable[Channel]) -> tuple[Channel, ...]:
    return tuple(sorted(set(channels), key=lambda channel: channel.value))
