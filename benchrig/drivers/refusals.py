"""The board's refusals in words (firmware_protocol/PROTOCOL.md, codes of REFUSED)."""

from __future__ import annotations

from benchrig.errors import DeviceError
from firmware_protocol import messages

__all__ = ["RefusedError", "refusal_words"]

_UPDATE = "Do program and firmware come from the same release? Report it with a wire log (--wire-log FILE)."
_RESTARTED = (
    "Did the board restart? Check its supply: does it dip when pump or coil switches on? Or does its USB cable deliver "
    "late? Then start again."
)

_WORDS: dict[int, tuple[str, str]] = {
    messages.BAD_LENGTH: ("the request has a wrong length, {detail} bytes wanted", _UPDATE),
    messages.UNKNOWN_KIND: ("the board does not know this request", _UPDATE),
    messages.OUT_OF_RANGE: ("a field of the request is out of range, at offset {detail}", _UPDATE),
    messages.NO_HELLO: ("the board was not greeted since it started", _RESTARTED),
    messages.NOT_ARMED: ("the board is not armed, though nothing tripped it", _RESTARTED),
    messages.TRIPPED: (
        "it tripped and the cause is still latched",
        "Remove the cause, then start the run again.",
    ),
    messages.INTERLOCK_OPEN: (
        "an interlock is open",
        "Release the emergency stop and close the guard, then start the run again.",
    ),
    messages.CONFLICT: ("coil supply and meter would be on together", _UPDATE),
    messages.CAUSE_PERSISTS: (
        "what tripped the board is still so",
        "Release the emergency stop, close the guard, look for a short at the plug; then start the run again.",
    ),
    messages.NO_CAPTURE: ("the board holds no such capture", _RESTARTED),
    messages.NOT_RECORDED: ("samples were asked for that are not recorded; the board has {detail}", _UPDATE),
    messages.CAPTURE_TOO_LARGE: (
        "the capture does not fit into the board's memory of {detail} words",
        "Shorten hold_s or flow_s in the bench file.",
    ),
    messages.SWITCH_PENDING: ("a capture has {detail} switchings still to come", _UPDATE),
    messages.TOO_FAST: (
        "the board cannot sample so fast",
        "Is this board built for this bench? It measures too slowly.",
    ),
    messages.BUSY: ("a capture is running", "Wait until it has ended, or switch the board off and on."),
    messages.BLOCK_TOO_LARGE: ("the block does not fit into an answer, {detail} samples at most", _UPDATE),
}


class RefusedError(DeviceError):
    """The board refused a request, and nothing changed.

    Attributes
    ----------
    code : int
        The code of the refusal, as in firmware_protocol.messages.
    detail : int
        What the board added; its meaning depends on the code.
    """

    def __init__(self, message: str, *, hint: str, code: int, detail: int) -> None:
        super().__init__(message, hint=hint)
        self.code = code
        self.detail = detail


def refusal_words(code: int, detail: int) -> tuple[str, str]:
    """What a refusal means, and what to check; also for codes that a later firmware may add.

    Examples
    --------
    >>> refusal_words(messages.NOT_RECORDED, 120)[0]
    'samples were asked for that are not recorded; the board has 120'
    >>> refusal_words(99, 3)[0]
    'code 99, detail 3, which this program does not know'
    """
    what, hint = _WORDS.get(code, ("code {code}, detail {detail}, which this program does not know", _UPDATE))
    return what.format(code=code, detail=detail), hint
