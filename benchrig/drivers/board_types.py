"""What the relay board switches, measures and says: the types that its driver hands out."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from firmware_protocol import messages

__all__ = [
    "BoardIdentity",
    "BoardStatus",
    "CapturePlan",
    "CaptureProgress",
    "Channel",
    "ChannelFacts",
    "Output",
    "TripCause",
]


class Output(Enum):
    """What the board switches, in the order of its bits."""

    COIL = messages.COIL
    METER = messages.METER
    PUMP = messages.PUMP
    ISOLATION = messages.ISOLATION
    VENT = messages.VENT
    """On = vent closed: without power the vent is open."""
    REFERENCE = messages.REFERENCE


class Channel(Enum):
    """What the board measures; the value is the channel's index."""

    COIL_CURRENT = messages.COIL_CURRENT
    PRESSURE = messages.PRESSURE
    SUPPLY = messages.SUPPLY
    AMBIENT = messages.AMBIENT


class TripCause(Enum):
    """Why the board switched everything off by itself."""

    NONE = messages.CAUSE_NONE
    SILENT = messages.CAUSE_SILENT
    ESTOP = messages.CAUSE_ESTOP
    GUARD = messages.CAUSE_GUARD
    COIL_TIME = messages.CAUSE_COIL_TIME
    OVER_CURRENT = messages.CAUSE_OVER_CURRENT


CAUSE_WORDS = {
    TripCause.NONE: "no cause is latched any more",
    TripCause.SILENT: "it heard nothing from the host for too long",
    TripCause.ESTOP: "the emergency stop was pressed",
    TripCause.GUARD: "the guard was opened",
    TripCause.COIL_TIME: "the coil was on for longer than its limit",
    TripCause.OVER_CURRENT: "the coil current was above its limit",
}
CAUSE_HINTS = {
    TripCause.NONE: "Start the run again.",
    TripCause.SILENT: "USB cable and hub; was the computer busy or asleep?",
    TripCause.ESTOP: "Find out why it was pressed, release it, then start the run again.",
    TripCause.GUARD: "Close the guard, then start the run again.",
    TripCause.COIL_TIME: "coil_limit_s in the valve model; hold_s in the bench file.",
    TripCause.OVER_CURRENT: "Plug in a known-good valve and run again: if that one runs, this valve draws too much "
    "(its suppression diode reversed, its turns shorted). Otherwise plug and leads for a short; then over_current_a in "
    "the bench file.",
}


@dataclass(frozen=True)
class ChannelFacts:
    """One analog channel as the board describes it."""

    bits: int
    full_scale_v: float


@dataclass(frozen=True)
class BoardIdentity:
    """What the board says about itself on HELLO."""

    identity: str
    build: int
    major: int
    minor: int
    capture_words: int
    max_body: int
    silent_min_s: float
    silent_max_s: float
    coil_max_s: float
    channels: dict[Channel, ChannelFacts]


@dataclass(frozen=True)
class BoardStatus:
    """State that the board has reached. `at_s` and `cause_at_s` are on the board's own clock."""

    outputs: frozenset[Output]
    estop_ok: bool
    guard_closed: bool
    armed: bool
    capturing: bool
    cause: TripCause
    at_s: float
    cause_at_s: float


@dataclass(frozen=True)
class CapturePlan:
    """A recording at a fixed rate, with up to two switchings at exact samples.

    Attributes
    ----------
    channels : tuple of Channel
        What to record; columns come in the order of the channels' indices, not of this tuple.
    period_us : int
        Time between samples in microseconds.
    samples : int
        How many.
    switch_at, release_at : int or None
        Sample at which the outputs become exactly `switch_to`, then `release_to`; None for never.
    """

    channels: tuple[Channel, ...]
    period_us: int
    samples: int
    switch_at: int | None = None
    switch_to: frozenset[Output] = frozenset()
    release_at: int | None = None
    release_to: frozenset[Output] = frozenset()


@dataclass(frozen=True)
class CaptureProgress:
    """How far the recording is; instants in microseconds from its start, None for what has not happened."""

    recorded: int
    samples: int
    finished: bool
    switched_us: int | None
    released_us: int | None
