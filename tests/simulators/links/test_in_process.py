"""Links in memory keep the promises of any link: deadlines, order, no answer without a question, OSError when gone."""

from __future__ import annotations

import pytest

from firmware_protocol import messages as m
from firmware_protocol.frame import Decoder, encode
from simulators.instruments.meter import IDENTITY, MeterMode
from simulators.links.in_process import MemoryByteLink, MemoryTextLink, SimClock
from simulators.simulated_bench import SimulatedBench
from tests.simulators.still_world import METER, StillWorld


@pytest.fixture
def simulated_bench() -> SimulatedBench:
    simulated_bench = SimulatedBench(StillWorld(), seed=1)
    simulated_bench.world.set_outputs(METER)
    return simulated_bench


def test_the_clock_goes_forward_only(simulated_bench):
    clock = SimClock(simulated_bench)
    clock.sleep_until(2.5)
    clock.sleep_until(1.0)
    assert clock.now() == 2.5


def test_an_answer_takes_its_time_on_the_wire(simulated_bench):
    link = MemoryByteLink(simulated_bench)
    link.write(encode(1, m.STATUS, b""))
    assert simulated_bench.now_s == 0.0
    assert link.read(0.0009) == b""
    assert simulated_bench.now_s == 0.0009
    answer = link.read(1.0)
    assert [kind for _, kind, _ in Decoder().feed(answer)] == [m.STATUS | m.ANSWER]
    assert 0.001 < simulated_bench.now_s < 0.0011


def test_nothing_comes_without_a_question(simulated_bench):
    assert MemoryByteLink(simulated_bench).read(0.7) == b""
    assert MemoryTextLink(simulated_bench).read(1.4) is None
    assert simulated_bench.now_s == 1.4


def test_two_requests_are_answered_in_order(simulated_bench):
    link, decoder = MemoryByteLink(simulated_bench), Decoder()
    link.write(encode(1, m.STATUS, b""))
    link.write(encode(2, m.DISARM, b""))
    got = decoder.feed(link.read(1.0)) + decoder.feed(link.read(1.0))
    assert [(seq, kind) for seq, kind, _ in got] == [(1, m.STATUS | m.ANSWER), (2, m.DISARM | m.ANSWER)]


def test_a_request_in_two_pieces_is_one_request(simulated_bench):
    link = MemoryByteLink(simulated_bench)
    frame = encode(7, m.STATUS, b"")
    link.write(frame[:4])
    assert link.read(0.1) == b""
    link.write(frame[4:])
    assert [seq for seq, _, _ in Decoder().feed(link.read(1.0))] == [7]


def test_an_unplugged_board_is_an_oserror_and_works_again_when_plugged_in(simulated_bench):
    link = MemoryByteLink(simulated_bench)
    simulated_bench.board_unplugged = True
    with pytest.raises(OSError, match="unplugged"):
        link.write(b"x")
    with pytest.raises(OSError, match="unplugged"):
        link.read(1.0)
    assert simulated_bench.now_s == 0.0
    simulated_bench.board_unplugged = False
    link.write(encode(1, m.STATUS, b""))
    assert link.read(1.0) != b""


def test_pulling_the_plug_wakes_a_reader_at_that_instant(simulated_bench):
    link = MemoryByteLink(simulated_bench)
    simulated_bench.at(0.25, lambda: setattr(simulated_bench, "board_unplugged", True))
    with pytest.raises(OSError, match="unplugged"):
        link.read(10.0)
    assert simulated_bench.now_s == 0.25


def test_a_closed_link_is_an_oserror_and_may_be_closed_again(simulated_bench):
    for link, word in ((MemoryByteLink(simulated_bench), b"x"), (MemoryTextLink(simulated_bench), "*CLS")):
        link.close()
        link.close()
        with pytest.raises(OSError, match="closed"):
            link.write(word)
        with pytest.raises(OSError, match="closed"):
            link.read(1.0)


def test_the_meter_answers_line_by_line(simulated_bench):
    link = MemoryTextLink(simulated_bench)
    link.write("*IDN?")
    link.write("*OPC?")
    assert link.read(1.0) == IDENTITY
    assert link.read(1.0) == "1"
    assert 0.002 < simulated_bench.now_s < 0.004


def test_an_answer_that_is_not_ready_by_the_deadline_stays_for_the_next_read(simulated_bench):
    link = MemoryTextLink(simulated_bench)
    link.write("MEAS:FRES? 100")
    assert link.read(0.2) is None
    assert simulated_bench.now_s == 0.2
    assert float(link.read(1.0)) == pytest.approx(24.5, abs=0.01)
    assert simulated_bench.now_s == pytest.approx(0.0005 + 0.403 + 0.0025, abs=1e-4)


def test_reopening_drops_what_was_on_its_way(simulated_bench):
    link = MemoryTextLink(simulated_bench)
    link.write("*IDN?")
    assert link.read(0.001) is None
    link.reopen()
    link.write("*OPC?")
    assert link.read(simulated_bench.now_s + 1.0) == "1"
    assert link.read(simulated_bench.now_s + 1.0) is None


def test_reopening_drops_a_question_that_had_not_arrived(simulated_bench):
    link = MemoryTextLink(simulated_bench)
    link.write("*IDN?")
    link.reopen()
    assert link.read(1.0) is None


def test_a_late_answer_puts_an_open_session_out_of_step_and_a_reopened_one_not(simulated_bench):
    link = MemoryTextLink(simulated_bench)
    simulated_bench.meter_mode = MeterMode.LATE
    link.write("*IDN?")
    assert link.read(2.0) is None
    link.write("*OPC?")
    assert link.read(3.0) == IDENTITY
    simulated_bench.meter_mode = MeterMode.LATE
    link.reopen()
    link.write("*IDN?")
    assert link.read(simulated_bench.now_s + 1.0) is None
    link.reopen()
    link.write("*OPC?")
    assert link.read(simulated_bench.now_s + 1.0) == "1"


def test_an_unplugged_meter_is_an_oserror_everywhere(simulated_bench):
    link = MemoryTextLink(simulated_bench)
    link.write("MEAS:FRES?")
    simulated_bench.at(0.1, lambda: setattr(simulated_bench, "meter_mode", MeterMode.UNPLUGGED))
    with pytest.raises(OSError, match="unplugged"):
        link.read(5.0)
    assert simulated_bench.now_s == 0.1
    with pytest.raises(OSError, match="unplugged"):
        link.write("*IDN?")
    with pytest.raises(OSError, match="unplugged"):
        link.reopen()
    simulated_bench.meter_mode = MeterMode.NORMAL
    link.reopen()
    link.write("*IDN?")
    assert link.read(simulated_bench.now_s + 1.0) == IDENTITY
