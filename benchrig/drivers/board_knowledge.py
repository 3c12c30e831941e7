"""What a relay board knows of itself, asked over a link that nobody else uses: for people, not for a run."""

from __future__ import annotations

from dataclasses import dataclass

from benchrig.clock import Clock
from benchrig.drivers.board_types import BoardIdentity
from benchrig.drivers.exchange import Exchange
from benchrig.drivers.links import ByteLink
from benchrig.drivers.raw_prompt import RawPrompt
from benchrig.drivers.relay_board import RelayBoard
from benchrig.errors import ConfigError, LinkTimeout
from firmware_protocol import knowledge, messages

__all__ = ["BoardReport", "SelfTestReport", "board_report", "self_test_report"]

_REASONS = {
    messages.RESET_POWER: "power was switched on",
    messages.RESET_WATCHDOG: "its watchdog: the firmware hung",
    messages.RESET_PROGRAM: "the firmware itself, after a fault",
}
_TESTS = {
    messages.TEST_OUTPUTS: "outputs read back as they are driven",
    messages.TEST_CONVERTER: "converter: the chip's own temperature sensor",
}
SINCE_MINOR = 1


@dataclass(frozen=True)
class BoardReport:
    """The answers to HELLO and ABOUT; `unique` and `firmware` in hex, empty if the board does not know."""

    identity: BoardIdentity
    started_by: str
    uptime_s: int
    free_bytes: int
    damaged_frames: int
    unique: str
    firmware: str
    runs_on: str


@dataclass(frozen=True)
class SelfTestReport:
    """The board's self-test: what was looked at, and what of it failed, in words."""

    done: tuple[str, ...]
    failed: tuple[str, ...]
    driven: int
    read_back: int
    reference_word: int


def _greeted(link: ByteLink, clock: Clock) -> tuple[BoardIdentity, Exchange]:
    board = RelayBoard(link, clock)
    try:
        identity = board.hello()
    except LinkTimeout as error:
        prompt = RawPrompt(link, clock)
        if not prompt.open():
            raise
        prompt.close()
        raise ConfigError(
            f"{board.name}: MicroPython's prompt answers there, and no firmware.",
            hint="Is the service strap on (GP22 to 0 V)? Otherwise the firmware is not on the board, or half of it: "
            "'benchrig board install' puts it on.",
        ) from error
    if (identity.major, identity.minor) < (messages.MAJOR, SINCE_MINOR):
        raise ConfigError(
            f"{board.name}: its firmware speaks protocol {identity.major}.{identity.minor} and knows nothing of "
            f"itself; that takes {messages.MAJOR}.{SINCE_MINOR}.",
            hint="Copy the firmware that came with this program onto it (firmware_protocol/BOARD.md, section 9).",
        )
    return identity, Exchange(link, clock, None)


def board_report(link: ByteLink, clock: Clock) -> BoardReport:
    """Greet a board, which switches everything off, and ask what it knows of itself.

    Raises
    ------
    ConfigError
        Its firmware is too old, or there is none.
    LinkError
        No board answers.
    """
    identity, wire = _greeted(link, clock)
    about = wire.ask(messages.ABOUT, b"", knowledge.unpack_about)
    known = about.firmware != bytes(messages.DIGEST_BYTES)
    return BoardReport(
        identity=identity,
        started_by=_REASONS.get(about.reset_reason, "not known"),
        uptime_s=about.uptime_s,
        free_bytes=about.free_bytes,
        damaged_frames=about.rejected,
        unique=about.unique.hex(),
        firmware=about.firmware.hex() if known else "",
        runs_on=about.text,
    )


def self_test_report(link: ByteLink, clock: Clock) -> SelfTestReport:
    """Greet a board and let it test itself; nothing is switched on. Raises as `board_report` does."""
    _, wire = _greeted(link, clock)
    test = wire.ask(messages.SELF_TEST, b"", knowledge.unpack_self_test)

    def words(bits: int) -> tuple[str, ...]:
        return tuple(_TESTS.get(1 << i, f"test {i}") for i in range(16) if bits >> i & 1)

    return SelfTestReport(words(test.done), words(test.failed), test.driven, test.read_back, test.reference)
