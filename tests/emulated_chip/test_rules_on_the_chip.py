"""What ends with the outputs off, on the emulated chip: interlocks, limits, hangs, the cable out, power away.

Bounds are in the chip's own time. Of a brown-out the emulator has nothing but power that is away and comes back.
"""

import pytest

from benchrig.drivers.board_types import CapturePlan, Channel, Output
from benchrig.drivers.relay_board import RelayBoard
from benchrig.errors import BenchError
from firmware_protocol import messages as m
from tests.emulated_chip.chip import MS, Chip
from tests.emulated_chip.chip_client import ChipClient
from tests.emulated_chip.chip_link import ChipClock, PlainLink

pytestmark = pytest.mark.slow


def off_after(chip, began_ns):
    """Milliseconds of the chip's time from an instant to the last change of the outputs, which has to be to none."""
    at_ns, outputs = chip.changes[-1]
    assert outputs == 0
    assert at_ns >= began_ns
    return (at_ns - began_ns) / MS


@pytest.mark.parametrize(("name", "cause"), [("estop", m.CAUSE_ESTOP), ("guard", m.CAUSE_GUARD)])
def test_an_open_interlock_switches_off_within_a_few_turns(client, name, cause):
    chip = client.chip
    client.arm()
    client.ask(m.SET, m.pack_set(m.PUMP | m.VENT | m.COIL))
    began_ns = chip.now_ns
    chip.input(name, closed=False)
    chip.run_for(20 * MS)
    assert off_after(chip, began_ns) < 10
    assert client.ask(m.STATUS).cause == cause


def test_over_current_in_a_capture_is_off_within_a_few_turns(client):
    chip = client.chip
    client.arm(over_current_raw=0x8000)
    client.ask(m.CAPTURE, m.pack_capture(m.Capture(1, 0b0011, 100, 3000, 10, m.COIL, m.NEVER, 0)))
    chip.run_for(50 * MS)
    assert chip.outputs == m.COIL
    began_ns = chip.now_ns
    chip.set_words(0x900, 0, 0, 0)
    chip.run_for(60 * MS)
    assert off_after(chip, began_ns) < 25
    assert client.ask(m.STATUS).cause == m.CAUSE_OVER_CURRENT


def test_the_coil_is_off_at_its_limit_of_time(client):
    chip = client.chip
    client.arm(coil_ms=200)
    client.ask(m.SET, m.pack_set(m.COIL))
    began_ns, _ = chip.changes[-1]
    chip.run_for(250 * MS)
    assert 200 <= off_after(chip, began_ns) < 205
    assert client.ask(m.STATUS).cause == m.CAUSE_COIL_TIME


def at_rest(_client):
    return 0


def pumping(client):
    client.ask(m.SET, m.pack_set(m.PUMP))
    return m.PUMP


def recording(client):
    client.ask(m.CAPTURE, m.pack_capture(m.Capture(1, 0b0011, 500, 5000, 0, m.COIL | m.VENT, m.NEVER, 0)))
    return m.COIL | m.VENT


def handing_over(client):
    client.ask(m.SET, m.pack_set(m.PUMP))
    client.ask(m.CAPTURE, m.pack_capture(m.Capture(1, 0b0011, 100, 300, m.NEVER, 0, m.NEVER, 0)))
    client.chip.run_for(40 * MS)
    client.chip.hear(client.frame(m.BLOCK, m.pack_block_request(1, 0, 254)))
    client.chip.run_for(3 * MS)
    return m.PUMP


@pytest.mark.parametrize("state", [at_rest, pumping, recording, handing_over])
def test_a_cable_that_comes_out_switches_off_at_the_limit_and_the_board_answers_again(client, state):
    chip = client.chip
    client.arm(silent_ms=500)
    outputs = state(client)
    began_ns = chip.now_ns
    assert chip.outputs == outputs
    chip.let_host_listen(listens=False)
    chip.run_for(600 * MS)
    if outputs:
        assert 450 < off_after(chip, began_ns) < 525
    assert chip.outputs == 0
    chip.let_host_listen(listens=True)
    chip.said()
    again = ChipClient(chip)
    again.greet()
    status = again.ask(m.STATUS)
    assert (status.outputs, status.armed, status.cause) == (0, 0, m.CAUSE_SILENT)


def test_a_program_that_hangs_is_reset_and_the_board_says_so(flash):
    with Chip(flash) as chip:
        client = ChipClient(chip)
        client.greet()
        clock = ChipClock(chip)
        board = RelayBoard(PlainLink(chip), clock)
        board.hello()
        board.clear()
        board.arm(host_silent_s=2.0, coil_limit_s=5.0, over_current_v=3.2)
        board.set_outputs(frozenset({Output.PUMP}))
        board.start_capture(
            CapturePlan(channels=frozenset({Channel.COIL_CURRENT, Channel.PRESSURE}), period_us=100, samples=600)
        )
        began_ns = chip.now_ns
        chip.hang(1500 * MS)
        assert [by for _, by in chip.resets] == ["timer"]
        assert 900 < off_after(chip, began_ns) <= 1000  # fed up to a turn before the hang
        known = len(chip.changes)
        with pytest.raises(BenchError):  # the driver finds that its capture and its arming are gone
            board.fetch(0, 600)
        chip.said()
        client = ChipClient(chip)
        client.greet()
        assert client.ask(m.ABOUT).reset_reason == m.RESET_WATCHDOG
        assert [mask for _, mask in chip.changes[known:] if mask] == []


def test_power_that_goes_away_and_comes_back_switches_nothing_on(client):
    chip = client.chip
    client.arm()
    client.ask(m.SET, m.pack_set(m.PUMP | m.ISOLATION | m.VENT))
    began_ns, known = chip.now_ns, len(chip.changes)
    chip.power_cycle()
    chip.run_for(2000 * MS)
    assert [mask for _, mask in chip.changes[known:]] == [0]
    assert chip.changes[-1][0] == pytest.approx(began_ns, abs=1 * MS)
    client = ChipClient(chip)
    client.greet()
    status = client.ask(m.STATUS)
    assert (status.outputs, status.armed, status.cause) == (0, 0, m.CAUSE_NONE)
    assert client.ask(m.ABOUT).reset_reason == m.RESET_POWER
