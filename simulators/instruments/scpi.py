"""The parts of IEEE 488.2 and SCPI-1999 that any instrument needs: message units, headers, numbers, errors, status.

What is not here: data blocks, arbitrary expressions, the OPERation and QUEStionable registers, more than one device
clear. Error numbers and texts are those of SCPI-1999 volume 2, chapter 21 (from memory, except -113, -109 and -108,
which were checked against instrument manuals).
"""

from __future__ import annotations

import re
from collections import deque

__all__ = [
    "ERROR_TEXTS",
    "ErrorQueue",
    "ScpiError",
    "StatusRegisters",
    "arguments",
    "compiled_header",
    "number",
    "split_units",
]

ERROR_TEXTS = {
    0: "No error",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -131: "Invalid suffix",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -300: "Device-specific error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
}

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:\s*E\s*[+-]?\d+)?)\s*([A-Z]*)", re.IGNORECASE)
_OHM_SUFFIXES = {"": 1.0, "OHM": 1.0, "KOHM": 1e3, "MOHM": 1e6}  # IEEE 488.2, 7.7.3: MOHM is the megohm


class ScpiError(Exception):
    """A message unit cannot be obeyed; goes into the error queue, never to the caller of the instrument."""

    def __init__(self, code: int, detail: str = "") -> None:
        super().__init__(code, detail)
        self.code = code
        self.detail = detail


class ErrorQueue:
    """First in, first out, of limited length: when it is full, the last entry becomes "Queue overflow".

    Examples
    --------
    >>> queue = ErrorQueue(length=2)
    >>> for code in (-113, -222, -109):
    ...     queue.push(code)
    >>> queue.pop(), queue.pop(), queue.pop()
    ('-113,"Undefined header"', '-350,"Queue overflow"', '+0,"No error"')
    """

    def __init__(self, *, length: int = 20) -> None:
        self._length = length
        self._entries: deque[tuple[int, str]] = deque()

    def __len__(self) -> int:
        return len(self._entries)

    def push(self, code: int, detail: str = "") -> None:
        """Add an error; `detail` is shown after the standard text, behind a semicolon."""
        if len(self._entries) >= self._length:
            self._entries[-1] = (-350, "")
        else:
            self._entries.append((code, detail))

    def pop(self) -> str:
        """Take the oldest entry, as ``SYSTem:ERRor?`` answers it."""
        code, detail = self._entries.popleft() if self._entries else (0, "")
        text = ERROR_TEXTS[code] + (f";{detail}" if detail else "")
        return f'{code:+d},"{text}"'

    def clear(self) -> None:
        """Forget all entries."""
        self._entries.clear()


class StatusRegisters:
    """Standard event status and status byte (IEEE 488.2, chapter 11), with the error queue of SCPI.

    Attributes
    ----------
    event : int
        Standard event status register, bits 0 to 7: OPC RQC QYE DDE EXE CME URQ PON.
    event_enable, request_enable : int
        Masks set by ``*ESE`` and ``*SRE``.
    """

    OPERATION_COMPLETE = 0x01
    POWER_ON = 0x80

    def __init__(self) -> None:
        self.errors = ErrorQueue()
        self.event = self.POWER_ON
        self.event_enable = 0
        self.request_enable = 0

    def report(self, error: ScpiError) -> None:
        """Queue an error and set the event bit of its class: command, execution, device or query error."""
        self.errors.push(error.code, error.detail)
        for above, bit in ((-199, 0x20), (-299, 0x10), (-399, 0x08), (-499, 0x04)):
            if error.code >= above:
                self.event |= bit
                return

    def take_event(self) -> int:
        """Read the event register, which clears it."""
        event, self.event = self.event, 0
        return event

    def byte(self, *, message_available: bool) -> int:
        """Status byte: bit 2 error queue, 4 message available, 5 event summary, 6 master summary."""
        status = (0x04 if self.errors else 0) | (0x10 if message_available else 0)
        status |= 0x20 if self.event & self.event_enable else 0
        return status | (0x40 if status & self.request_enable else 0)

    def clear(self) -> None:
        """What ``*CLS`` does: event register and error queue empty; the masks stay."""
        self.event = 0
        self.errors.clear()


def split_units(line: str) -> list[str]:
    """Split a program message at its semicolons, except those inside quotes.

    >>> split_units('INIT;*OPC')
    ['INIT', '*OPC']
    """
    parts = re.findall(r"""(?:[^;"']|"[^"]*"|'[^']*'|["'])+""", line)
    return [part.strip() for part in parts if part.strip()]


def arguments(unit: str) -> tuple[str, list[str]]:
    """Split a message unit into its header and its parameters.

    >>> arguments("CONF:FRES 100, 0.001"), arguments("*idn?")
    (('CONF:FRES', ['100', '0.001']), ('*IDN?', []))
    """
    header, _, rest = unit.partition(" ")
    return header.upper(), [argument.strip() for argument in rest.split(",")] if rest.strip() else []


def compiled_header(pattern: str) -> re.Pattern[str]:
    """Compile a command as SCPI writes it: capitals are the short form, square brackets hold what may be left out.

    >>> bool(compiled_header("[SENSe:]FRESistance:NPLCycles").fullmatch("FRES:NPLC"))
    True
    >>> bool(compiled_header("INITiate[:IMMediate]").fullmatch("INITI"))
    False
    """

    def forms(word: re.Match[str]) -> str:
        short = "".join(letter for letter in word[0] if not letter.islower())
        return f"(?:{short}|{word[0].upper()})"

    spelt = re.sub(r"[A-Za-z]+", forms, pattern.replace("*", r"\*").replace("?", r"\?"))
    return re.compile(spelt.replace("[", "(?:").replace("]", ")?"))


def number(text: str, *, suffixes: dict[str, float] | None = None) -> float:
    """Read a number with an optional suffix (default: ohms).

    Raises
    ------
    ScpiError
        -104 when it is no number, -131 when the suffix does not fit.

    Examples
    --------
    >>> number("1.5 kohm"), number("+1E2")
    (1500.0, 100.0)
    """
    found = _NUMBER.fullmatch(text.strip())
    if not found:
        raise ScpiError(-104, text)
    scale = (suffixes or _OHM_SUFFIXES).get(found[2].upper())
    if scale is None:
        raise ScpiError(-131, found[2])
    return float(re.sub(r"\s", "", found[1])) * scale
