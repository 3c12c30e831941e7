"""The board over a cable that loses, damages, repeats, delays and cuts up: every answer is right, or none came."""

import itertools
import random
from types import SimpleNamespace

import numpy as np
import pytest

from benchrig.bench.wiring import allowed
from benchrig.drivers.exchange import Exchange
from benchrig.drivers.refusals import RefusedError
from benchrig.drivers.relay_board import CapturePlan, Channel, Output, RelayBoard
from benchrig.errors import LinkError, LinkTimeout
from firmware_protocol import messages
from firmware_protocol.frame import Decoder, encode
from simulators.links.in_process import SimClock
from simulators.simulated_bench import SimulatedBench
from tests.benchmarks.lossy_link import BadLine
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
        self.simulated_bench = SimulatedBench(self.world, seed=1)
        self.clock = SimClock(self.simulated_bench)
        self.board = RelayBoard(LossyLink(self.simulated_bench, seed, **odds), self.clock)
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
        assert cable.simulated_bench.board.outputs == sum(output.value for output in wanted)
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
    raw = np.frombuffer(cable.simulated_bench._pins.capture_block(0, 1000), dtype="<u2").reshape(-1, 2)
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


@pytest.mark.parametrize("seed", range(6))
def test_a_request_that_is_overtaken_by_a_newer_one_switches_nothing_back(seed):
    """A line that changes the order, as no cable does; without the board's rule for old requests this fails."""
    cable = Cable(seed, CUT_UP)
    line = BadLine(SimpleNamespace(simulated_bench=cable.simulated_bench), seed, 0.5, ("repeated", "overtaken"))
    cable.board = RelayBoard(line, cable.clock)
    cable.insist(cable.board.hello)
    cable.clock.sleep_until(cable.clock.now() + 1.0)  # a HELLO that comes late switches everything off, by design
    cable.insist(lambda: cable.board.arm(10.0, 600.0, 3.2))
    choose = random.Random(seed)
    wanted_changes = dict.fromkeys(Output, 0)
    last = frozenset()
    for wanted in (choose.choice(STATES) for _ in range(40)):
        for output in wanted ^ last:
            wanted_changes[output] += 1
        last = wanted
        assert cable.insist(lambda wanted=wanted: cable.board.set_outputs(wanted)).outputs == wanted
    cable.clock.sleep_until(cable.clock.now() + 1.0)
    assert {output: cable.world.toggles(output.value) for output in Output} == wanted_changes
    assert line.met["overtaken"] > 10


@pytest.mark.parametrize("dead_s", [0.5, 1.0, 1.5])
def test_a_capture_goes_on_from_where_it_was_after_blocks_that_were_lost(dead_s):
    cable = ready(1, CUT_UP)
    cable.board.start_capture(CapturePlan((Channel.COIL_CURRENT, Channel.PRESSURE), 100, 4000))
    cable.clock.sleep_until(cable.clock.now() + 0.5)
    exchange, asked = cable.simulated_bench.board_exchange, []
    dead = []

    def hear(data):
        asked.extend(messages.unpack_block_request(body) for _, kind, body in Decoder().feed(data) if kind == 10)
        if len(asked) == 6 and not dead:
            dead.append(cable.clock.now() + dead_s)
        return b"" if dead and cable.clock.now() < dead[0] else exchange(data)

    cable.simulated_bench.board_exchange = hear
    fetched = cable.board.fetch(0, 4000)
    raw = np.frombuffer(cable.simulated_bench._pins.capture_block(0, 4000), dtype="<u2").reshape(-1, 2)
    np.testing.assert_array_equal(fetched, raw / 65536 * 3.3)
    firsts = [request.first for request in asked]
    assert firsts == sorted(firsts), "blocks that were there were fetched again"
    assert (asked[-2].count < 254) is (dead_s > 0.8)  # after silence longer than an exchange, shorter blocks


def test_a_capture_that_the_board_has_lost_meanwhile_is_not_gone_on_with():
    cable = ready(1, CUT_UP)
    cable.board.start_capture(CapturePlan((Channel.COIL_CURRENT,), 100, 4000))
    cable.clock.sleep_until(cable.clock.now() + 0.5)
    exchange, asked = cable.simulated_bench.board_exchange, []

    def hear(data):
        asked.extend(kind for _, kind, _ in Decoder().feed(data))
        if asked[-1] == 10 and asked.count(10) > 3:
            return b""
        if asked[-1] == 9:
            exchange(encode(200, messages.HELLO, b""))  # as a restart does
        return exchange(data)

    cable.simulated_bench.board_exchange = hear
    with pytest.raises(RefusedError, match="holds no such capture"):
        cable.board.fetch(0, 4000)


def two_boards():
    rigs = [Cable(1, CUT_UP), Cable(2, CUT_UP)]
    rigs[1].simulated_bench.board._hello = rigs[1].simulated_bench.board._hello._replace(identity=b"BRSIM002")
    return rigs


def test_after_a_reconnect_the_same_board_is_greeted_and_everything_is_off():
    cable = ready(1, CUT_UP)
    cable.board.set_outputs(frozenset({Output.PUMP}))
    identity = cable.board.reconnect(LossyLink(cable.simulated_bench, 2, **CUT_UP))
    assert identity.identity == "BRSIM001"
    status = cable.board.status()
    assert (status.outputs, status.armed) == (frozenset(), False)
    with pytest.raises(RuntimeError, match="before start_capture"):
        cable.board.fetch(0, 1)


def test_another_board_after_a_reconnect_is_refused_by_name_and_left_off():
    first, other = two_boards()
    first.board.hello()
    with pytest.raises(LinkError, match="'BRSIM002', where 'BRSIM001' was before") as caught:
        first.board.reconnect(LossyLink(other.simulated_bench, 2, **CUT_UP))
    assert "plugged in" in caught.value.hint
    assert other.simulated_bench.board.outputs == 0
    with pytest.raises(RuntimeError, match="not greeted"):
        first.board.arm(1.0, 1.0, 1.0)


def test_the_over_current_limit_never_lies_above_the_largest_word_of_the_converter():
    cable = ready(1, CUT_UP)
    cable.insist(lambda: cable.board.arm(10.0, 600.0, 3.3))
    assert cable.simulated_bench.board._over_current_raw == 0xFFF0  # 12 bits, left-justified
