"""Multimeter: resistance over SCPI-1999 and IEEE 488.2, in short questions only.

A reading is started, asked after and fetched, so that no call waits for the measurement itself. A late answer is never
taken for the answer to the next question: any link error makes the session dirty, and a dirty session answers nothing
until `Multimeter.recover` has reopened it and found the same instrument at the other end.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Literal, NoReturn

from benchrig.clock import Clock
from benchrig.drivers.links import LONGEST_BLOCK_S, TextLink
from benchrig.errors import DeviceError, LinkError, LinkTimeout

__all__ = ["ANSWER_S", "Multimeter"]

ANSWER_S = 2.0
"""Longest wait for an answer. Most come within milliseconds; after a reset or a change of range it may be a second."""
SLICE_S = LONGEST_BLOCK_S / 2
OVERLOAD = 9.9e37
"""SCPI-1999 volume 1, 7.2.1.4: infinity is sent as 9.9E37."""
NOT_A_NUMBER = 9.91e37
"""SCPI-1999 volume 1, 7.2.1.5."""
OPERATION_COMPLETE = 0x01
"""IEEE 488.2, 11.5.1: bit 0 of the standard event status register."""
ERROR_BITS = 0x3C
"""Same place, bits 2 to 5: query, device dependent, execution and command error."""
RANGE_SLACK = 0.01
"""Part of the wanted range by which the meter's own may fall short: a matter of rounding."""
WIDEST_RANGE = 10.1
"""Times the wanted range: a meter that lacks one takes the next larger, and they go by decades (common practice)."""
MOST_ERRORS_READ = 10
MOST_STALE_LINES = 3

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_FUNCTION = re.compile(r'"?(?:SENS(?:E)?:)?([A-Z:]{1,40})"?', re.ASCII)
_ERROR_ENTRY = re.compile(r'([+-]?\d{1,5})\s*(?:,\s*"?(.*?)"?)?\s*', re.ASCII)


class Multimeter:
    """One multimeter measuring resistance.

    Parameters
    ----------
    link : TextLink
        Session to the instrument.
    clock : Clock
        The bench's clock.
    meanwhile : callable, optional
        Called at least every `LONGEST_BLOCK_S` while an answer is awaited; the bench keeps the board fed there. May be
        set later, as the attribute of that name.
    """

    def __init__(self, link: TextLink, clock: Clock, *, meanwhile: Callable[[], None] | None = None) -> None:
        self._link = link
        self._clock = clock
        self.meanwhile = meanwhile
        self._identity = ""
        self._set_up: tuple[str, float, float] | None = None
        self._dirty = ""
        self._running = False
        self._done = False

    @property
    def name(self) -> str:
        """What messages call this instrument."""
        return f"Multimeter on {self._link.name}"

    def identify(self) -> str:
        """Ask who is there, and remember it for `recover`. Safe to repeat.

        What the meter still had to say to earlier questions is passed over: a serial line keeps it across a reopening.

        Returns
        -------
        str
            The answer to ``*IDN?``: maker, model, serial number and firmware, separated by commas.

        Raises
        ------
        LinkTimeout
            Nothing answered.
        LinkError
            The link failed, or the answer is not an identity.
        """
        self._send("*CLS")
        self._send("*IDN?")
        stale = ""
        for _ in range(MOST_STALE_LINES + 1):
            try:
                identity = self._await("*IDN?").strip()
            except LinkTimeout:
                if stale:
                    break
                raise
            if identity.count(",") >= 3:  # IEEE 488.2, 10.14.3: four fields
                self._identity = identity
                return identity
            stale = identity
        raise self._damaged("*IDN?", stale, "four fields separated by commas")

    def set_up_resistance(self, wires: Literal[2, 4], range_ohm: float, nplc: float) -> None:
        """Reset the meter, set it to measure resistance, and read function and range back.

        The reset also takes away whatever was set by hand before, such as a relative reading. Safe to repeat.

        Parameters
        ----------
        wires : {2, 4}
            Two-wire or four-wire.
        range_ohm : float
            Range in ohms; the meter takes the next larger one that it has.
        nplc : float
            Integration time in periods of the mains.

        Raises
        ------
        DeviceError
            The meter refused a setting, or has another function or range than asked for.
        LinkError
            The link failed, or an answer is damaged.
        """
        if wires not in (2, 4) or not (math.isfinite(range_ohm) and range_ohm > 0 and math.isfinite(nplc) and nplc > 0):
            raise ValueError(f"cannot measure with {wires} wires, range {range_ohm} ohm, {nplc} NPLC")
        function = "FRES" if wires == 4 else "RES"
        self._set_up = (function, range_ohm, nplc)
        self._apply_set_up()

    def start(self) -> None:
        """Start one reading. Not safe to repeat: a second start breaks off the first reading.

        Raises
        ------
        LinkError
            The link failed. Whether the meter took the order is seen by `ready`.
        """
        if self._set_up is None:
            raise RuntimeError("start before set_up_resistance")
        self._running, self._done = True, False
        self._send("*CLS")
        self._send("INIT;*OPC")

    def ready(self) -> bool:
        """Whether the reading that was started is complete. Safe to repeat.

        Raises
        ------
        DeviceError
            The meter reports an error.
        LinkError
            The link failed or the answer is damaged.
        """
        if not self._running:
            raise RuntimeError("ready before start")
        if self._done:
            return True
        answer = self._ask("*ESR?").strip()
        if not re.fullmatch(r"\+?[0-9]{1,3}", answer) or int(answer) > 255:
            raise self._damaged("*ESR?", answer, "a whole number from 0 to 255")
        events = int(answer)
        if events & ERROR_BITS:
            self._refuse_errors("while measuring", f"event register {events}")
        self._done = bool(events & OPERATION_COMPLETE)
        return self._done

    def fetch(self) -> float:
        """Fetch the reading that `ready` found complete. Safe to repeat until the next `start`.

        Returns
        -------
        float
            Ohms; infinity when the meter is overloaded, that is when the circuit is open or beyond its range. Before it
            says so, the meter is asked once more for its function and range.

        Raises
        ------
        DeviceError
            The meter has no reading, or says that it is not a number; or it is overloaded because it has another
            function or range than it was set to.
        LinkError
            The link failed, or the answer is not one number.
        """
        if not self._done:
            raise RuntimeError("fetch before ready said so")
        answer = self._ask("FETC?").strip()
        if not _NUMBER.fullmatch(answer):
            raise self._damaged("FETC?", answer, "one number")
        value = float(answer)
        if math.isclose(abs(value), NOT_A_NUMBER, rel_tol=1e-6):
            raise DeviceError(
                f"{self.name}: sent {answer}, which stands for 'not a number', in place of a resistance.",
                hint="Measure again. If it comes back, look at the meter's own display and switch it off and on.",
            )
        if abs(value) >= OVERLOAD * (1 - 1e-9):
            self._check_set_up()
            return math.inf
        return value

    def recover(self) -> None:
        """Reopen the session after a link error, make sure of the instrument, and set it up as before.

        Safe to repeat. A reading that was running is lost: start a new one, and note it in the record.

        Raises
        ------
        DeviceError
            Another instrument answers than before, or the set-up is refused.
        LinkError
            The session cannot be reopened, or nothing answers.
        """
        self._running = self._done = False
        before = self._identity
        try:
            self._link.reopen()
        except OSError as error:
            self._lost("reopening", error)
        self._dirty = ""
        self._send("*RST")
        identity = self.identify()
        if before and identity != before:
            self._identity = before
            self._dirty = "another instrument answered"
            raise DeviceError(
                f"{self.name}: {_short(identity)} answers, but before it was {_short(before)}.",
                hint="Is another instrument plugged in here, or has the address moved? Then start the run again.",
            )
        if self._set_up is not None:
            self._apply_set_up()

    def close(self) -> None:
        """Give the session back. Safe to repeat."""
        self._link.close()

    # ---- exchange

    def _apply_set_up(self) -> None:
        assert self._set_up is not None
        function, range_ohm, nplc = self._set_up
        self._running = self._done = False
        for line in (
            "*RST",
            "*CLS",
            f"CONF:{function}",
            f"SENS:{function}:RANG {range_ohm:.9g}",
            f"SENS:{function}:NPLC {nplc:.6g}",
            "TRIG:SOUR IMM",
            "SAMP:COUN 1",
        ):
            self._send(line)
        self._refuse_errors(f"set to {function}, {range_ohm:g} ohm, {nplc:g} NPLC", "", only_if_any=True)
        self._check_set_up()

    def _check_set_up(self) -> None:
        """Whether the meter still has the function and the range that it was set to: without, no reading is one."""
        assert self._set_up is not None
        function, range_ohm, _ = self._set_up
        answer = self._ask("SENS:FUNC?").strip()
        said = _FUNCTION.fullmatch(answer.upper())
        if said is None:
            raise self._damaged("SENS:FUNC?", answer, "the name of a function")
        if said[1] not in (function, f"{function}ISTANCE"):
            raise DeviceError(
                f"{self.name}: set to {function}, but it measures {_short(answer)}.",
                hint="Did somebody press a function key of the meter? Let it be, and start the run again.",
            )
        question = f"SENS:{function}:RANG?"
        answer = self._ask(question).strip()
        if not _NUMBER.fullmatch(answer):
            raise self._damaged(question, answer, "one number")
        has_ohm = float(answer)
        if not range_ohm * (1 - RANGE_SLACK) <= has_ohm <= range_ohm * WIDEST_RANGE:
            raise DeviceError(
                f"{self.name}: set to the range of {range_ohm:g} ohm, but it has that of {has_ohm:g} ohm.",
                hint="Is a range held at the meter (range or lock key)? Release it, or switch the meter off and on. "
                "Then: does it have a range for range_ohm of the bench file?",
            )

    def _refuse_errors(self, doing: str, detail: str, *, only_if_any: bool = False) -> None:
        """Empty the error queue and raise what was in it."""
        found: list[str] = []
        for _ in range(MOST_ERRORS_READ):
            answer = self._ask("SYST:ERR?")
            entry = _ERROR_ENTRY.fullmatch(answer.strip())
            if entry is None:
                raise self._damaged("SYST:ERR?", answer, "an error number and its text")
            if int(entry[1]) == 0:
                break
            found.append(f"{int(entry[1])} {_short(entry[2] or '')}")
        if only_if_any and not found:
            return
        said = ", ".join(found) or detail
        raise DeviceError(
            f"{self.name}: reports an error {doing}: {said}.",
            hint="Does the bench file fit this meter (range_ohm, nplc, wires)? Is it set to SCPI commands?",
        )

    def _send(self, line: str) -> None:
        if self._dirty:
            raise LinkError(
                f"{self.name}: the session is out of step ({self._dirty}); '{line}' was not sent.",
                hint="The session has to be recovered first: start the run again.",
            )
        try:
            self._link.write(line)
        except LinkError as error:
            self._dirty = str(error)
            raise
        except OSError as error:
            self._lost(f"sending '{line}'", error)

    def _ask(self, question: str) -> str:
        """Ask one question; the answer is the next line, and none may have come before."""
        if not self._dirty:
            stray = self._read(question, self._clock.now())
            if stray is not None:
                self._dirty = "an answer came that nobody had asked for"
                raise LinkError(
                    f"{self.name}: sent {_short(stray)} before it was asked '{question}'; its answers are out of step.",
                    hint="Does another program talk to this meter, or does it send readings by itself (talk only)?",
                )
        self._send(question)
        return self._await(question)

    def _await(self, question: str) -> str:
        """Wait for a line in slices. Whatever ends the wait but an answer (Ctrl-C, a trip) leaves the session dirty."""
        self._dirty = f"no answer to '{question}'"
        deadline = self._clock.now() + ANSWER_S
        while True:
            answer = self._read(question, min(deadline, self._clock.now() + SLICE_S))
            if answer is not None:
                self._dirty = ""
                return answer
            if self._clock.now() >= deadline:
                break
            if self.meanwhile is not None:
                self.meanwhile()
        raise LinkTimeout(
            f"{self.name}: no answer to '{question}' within {ANSWER_S:g} s.",
            hint="Is the meter on and its cable plugged in? Is it set to remote control, and is the address right?",
        )

    def _read(self, question: str, deadline: float) -> str | None:
        try:
            return self._link.read(deadline)
        except LinkError as error:
            self._dirty = str(error)
            raise
        except OSError as error:
            self._lost(f"waiting for the answer to '{question}'", error)

    def _lost(self, doing: str, error: OSError) -> NoReturn:
        self._dirty = "the link failed"
        raise LinkError(
            f"{self.name}: the link failed while {doing} ({error}).",
            hint="Is the cable plugged in at both ends and the meter on?",
        ) from error

    def _damaged(self, question: str, answer: str, wanted: str) -> LinkError:
        self._dirty = f"damaged answer to '{question}'"
        return LinkError(
            f"{self.name}: answered {_short(answer)} to '{question}', where {wanted} was expected.",
            hint="Is this the multimeter's address? On a serial line: the same baud rate and parity at both ends?",
        )


def _short(text: str) -> str:
    """Text from outside, fit for a message: no control characters, not too long."""
    return repr(text if len(text) <= 60 else text[:57] + "...")
