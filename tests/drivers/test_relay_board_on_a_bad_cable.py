"""The board over a cable that loses, damages, repeats, delays and cuts up: every answer is right, or none came."""

import itertools
import random

import numpy as np
import pytest

from benchrig.bench.wiring import allowed
from benchrig.drivers.exchange import Exchange
from benchrig.drivers.relay_board import CapturePlan, Channel, Output, RelayBoard
from benchrig.errors import LinkTimeout
from simulators.machine import Machine
from simulators.memory import SimClock
from tests.drivers.fakes import LossyLink, SteadyWorld

STATES = [
    frozenset(state)
    for n in range(len(Output) + 1)
    for state in itertools.combinations(Output, n)
    if allowed(frozenset(state))
]
BAD = {"drop": 0.15, "damage": 0.1, "repeat": 0.15, "delay": 0.2, "delay_s": 0.08}
CUT_UP = {"drop": 0.0, "damage": 0.0, "repeat": 0.0, "delay": 0.0, "delay_s": 0.0}
LATE = {"drop": 0.0, "damage": 0.0, "repeat": 0.3, "delay": 1.0, "delay_s": 0.12}


class Cable:
    def __init__(self, seed, odds):
        self.world = SteadyWorld()
        self.machine = Machine(self.world, seed=1)
        self.clock = SimClock(self.machine)
        self.board = RelayBoard(LossyLink(self.machine, seed, **odds), self.clock)
        self.timeouts = 0

    def insist(self, ask):
        """Ask until an answer comes; each silence is counted."""
        for _ in range(50):
            try:
                return ask()
            except LinkTimeout:
                self.timeouts += 1
        raise AssertionError("no answer in 50 exchanges")


def ready(seed, odds):
    cable = Cable(seed, odds)
    cable.insist(cable.board.hello)
    cable.insist(lambda: cable.board.arm(10.0, 600.0, 3.2))
    return cable


@pytest.mark.parametrize("odds", [BAD, CUT_UP, LATE], ids=["bad", "cut up", "late"])
@pytest.mark.parametrize("seed", range(12))
def test_no_output_switches_twice_and_every_answer_tells_the_state_reached(seed, odds):
    cable = ready(seed, odds)
    choose = random.Random(seed)
    wanted_changes = dict.fromkeys(Output, 0)
    last = frozenset()
    for wanted in (choose.choice(STATES) for _ in range(40)):
        for output in wanted ^ last:
            wanted_changes[output] += 1
        last = wanted
        status = cable.insist(lambda wanted=wanted: cable.board.set_outputs(wanted))
        assert status.outputs == wanted
        assert cable.machine.board.outputs == sum(output.value for output in wanted)
    assert {output: cable.world.toggles(output.value) for output in Output} == wanted_changes
    if odds is CUT_UP:
        assert cable.timeouts == 0


@pytest.mark.parametrize("seed", range(12))
def test_a_capture_over_a_bad_cable_is_the_one_that_the_board_recorded(seed):
    cable = ready(seed, BAD)
    on = frozenset({Output.COIL})
    plan = CapturePlan((Channel.COIL_CURRENT, Channel.PRESSURE), 100, 1000, 50, on, 900)
    # A capture with a switch is not to be started twice, so it is not insisted on: without an answer, begin afresh.
    for _ in range(50):
        try:
            cable.board.start_capture(plan)
            break
        except LinkTimeout:
            cable.clock.sleep_until(cable.clock.now() + 0.5)
    cable.clock.sleep_until(cable.clock.now() + 0.2)
    progress = cable.insist(cable.board.progress)
    assert (progress.finished, progress.switched_us, progress.released_us) == (True, 5000, 90000)
    blocks = [cable.insist(lambda first=first: cable.board.fetch(first, 100)) for first in range(0, 1000, 100)]
    raw = np.frombuffer(cable.machine._pins.capture_block(0, 1000), dtype="<u2").reshape(-1, 2)
    np.testing.assert_array_equal(np.concatenate(blocks), raw / 65536 * 3.3)


@pytest.mark.parametrize("seed", range(5))
def test_a_bad_cable_really_loses_answers(seed, monkeypatch):
    """Guards the tests above: exchanges are repeated, and of three tries each some would fail altogether."""
    cable = ready(seed, BAD)
    monkeypatch.setitem(Exchange.ask.__kwdefaults__, "tries", 3)
    sent = 0
    inner = cable.board._wire._link
    write = inner.write

    def counted(data):
        nonlocal sent
        sent += 1
        write(data)

    inner.write = counted
    for _ in range(200):
        cable.insist(cable.board.status)
    assert sent > 220
    assert cable.timeouts > 0
