"""The list of looks as it grows: measured against what is allowed, failed by a fault, or left out."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from benchrig.bench.check_result import CheckItem
from benchrig.errors import BenchError, InterlockOpen, LinkError
from benchrig.sequencer.operator import Unattended

__all__ = ["ONLY_WITHOUT_TANK", "ONLY_WITH_TANK", "TITLES", "Findings"]

TITLES = {
    "answers": "Board, meter, interlocks",
    "cable": "Board's cable",
    "supply": "Coil supply",
    "ripple": "Coil supply's noise",
    "thermistor": "Ambient thermistor",
    "atmosphere": "Transducer in open air",
    "meter_off": "K2 meter route, off",
    "coil_off": "K1 coil switch, off",
    "resistor": "K2 on; reference resistor",
    "coil_on": "K1 coil switch, on",
    "shunt": "Current shunt",
    "load": "Supply's sag under load",
    "zero": "Meter zero, leads shorted",
    "pump_off": "K3 pump, off",
    "isolation_off": "K4 isolation valve, off",
    "pump_down": "Pump-down (K3, K4, K5 on)",
    "tight": "Tightness, own leak",
    "reference": "Reference leak (K6)",
    "volume": "Volume, by that leak",
    "deep": "Transducer at deep vacuum",
    "tank": "Vacuum tank, tightness",
    "vent": "K5 vent, off",
    "response": "Transducer's response",
    "line": "Line to the port",
}
"""Every look of the check, in its order, with its title."""
ONLY_WITH_TANK, ONLY_WITHOUT_TANK = frozenset({"tank"}), frozenset({"pump_off"})
"""Looks that only some benches allow: the pump of a tank runs by the tank's own vacuum switch."""


class Findings:
    """Looks by name, in the order of `TITLES`; `tell` is called with each as it comes.

    `without` are the looks that are not for this bench.
    """

    def __init__(
        self, tell: Callable[[CheckItem], None] = lambda _: None, *, without: frozenset[str] = ONLY_WITH_TANK
    ) -> None:
        self._without = without
        self.items: dict[str, CheckItem] = {}
        self.dead = ""
        """Why the bench cannot go on at all: it does not answer, or an interlock is open."""
        self._tell = tell

    def passed(self, name: str) -> bool:
        """Whether a look was done and passed."""
        return name in self.items and self.items[name].outcome == "pass"

    def measured(
        self,
        name: str,
        value: float,
        unit: str,
        *,
        low: float | None = None,
        high: float | None = None,
        u: float | None = None,
        why: str = "",
        to_do: str = "",
    ) -> bool:
        """Put a value against what is allowed, ends included; no number fails. Say whether it passed."""
        sound = math.isfinite(value) and (low is None or value >= low) and (high is None or value <= high)
        shown = value if math.isfinite(value) else None
        item = CheckItem(name, TITLES[name], "pass" if sound else "fail", shown, u, unit, low, high)
        if not sound:
            item = CheckItem(**{**vars(item), "why": why, "to_do": to_do})
        self._add(item)
        return sound

    def failed(self, name: str, why: str, to_do: str) -> None:
        """A look that failed without a value."""
        self._add(CheckItem(name, TITLES[name], "fail", why=why, to_do=to_do))

    def left_out(self, names: tuple[str, ...], why: str, to_do: str = "") -> None:
        """Looks that could not be done; those that were done stay."""
        for name in names:
            if name not in self.items and name not in self._without:
                self._add(CheckItem(name, TITLES[name], "not done", why=why, to_do=to_do))

    @contextmanager
    def part(self, names: tuple[str, ...]) -> Iterator[None]:
        """Do some looks. A fault fails the one that was being done; the rest of the part is left out."""
        try:
            yield
        except Unattended:
            raise
        except BenchError as error:
            waiting = [name for name in names if name not in self.items and name not in self._without]
            if waiting:
                self.failed(waiting[0], str(error), error.hint)
            at_once = (error, *error.problems)
            if any(isinstance(each, LinkError) for each in at_once):
                self.dead = "the bench does not answer"
            elif any(isinstance(each, InterlockOpen) for each in at_once):
                self.dead = "an interlock is open"
        why = self.dead or "a look before it failed"
        self.left_out(names, why)

    def _add(self, item: CheckItem) -> None:
        self.items[item.name] = item
        self._tell(item)
