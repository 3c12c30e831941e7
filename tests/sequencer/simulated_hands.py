"""The simulated bench with somebody beside it who does at once what the program asks for."""

from __future__ import annotations

from benchrig.bench.bench import Bench
from benchrig.bench.file import parse_bench_file
from benchrig.drivers.multimeter import Multimeter
from benchrig.drivers.relay_board import RelayBoard
from benchrig.sequencer.operator import Fitting
from simulators.entry import OpenedSimulation, open_bench


class Obedient:
    """An operator without a person; `asked` is what was connected, in order."""

    def __init__(self, opened: OpenedSimulation) -> None:
        self._hands = opened.hands
        self.asked: list[str] = []

    def connect(self, fitting: Fitting) -> None:
        self.asked.append(fitting.value)
        self._hands.connect("blind-plug" if fitting is Fitting.VESSEL else fitting.value)

    def now(self, fitting: Fitting) -> None:
        self._hands.connect(fitting.value)

    def read(self, what: str, unit: str) -> float:
        return self._hands.read(what)

    def doing(self, what: str, done_s: float, expected_s: float, reading: str) -> None:
        pass


def simulated(**options: object) -> tuple[OpenedSimulation, Bench, Obedient]:
    """Open a simulated bench, with ``swap`` = (old, new) exchanged in its bench file."""
    swap = options.pop("swap", None)
    opened = open_bench(options)
    text = opened.bench_file
    if isinstance(swap, tuple):
        assert swap[0] in text
        text = text.replace(*swap)
    bench = Bench(
        parse_bench_file(text, where="here"),
        opened.clock,
        RelayBoard(opened.board_link, opened.clock),
        Multimeter(opened.meter_link, opened.clock),
    )
    return opened, bench, Obedient(opened)
