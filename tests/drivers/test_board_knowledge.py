"""What a board tells of itself, and what an older one or one that is not sound makes of it."""

import pytest
from click.testing import CliRunner

from benchrig.cli import board as board_command
from benchrig.drivers.board_knowledge import board_report, self_test_report
from benchrig.errors import ConfigError
from firmware_protocol import messages
from simulators.links.in_process import MemoryByteLink, SimClock
from simulators.simulated_bench import SimulatedBench
from tests.drivers.fakes import SteadyWorld


@pytest.fixture
def bench():
    return SimulatedBench(SteadyWorld(), seed=3)


def test_a_board_tells_who_it_is_and_how_long_it_has_run(bench):
    clock = SimClock(bench)
    clock.sleep_until(5.5)
    report = board_report(MemoryByteLink(bench), clock)
    assert (report.identity.identity, report.identity.minor, report.uptime_s) == ("BRSIM001", messages.MINOR, 5)
    assert (report.started_by, report.runs_on) == ("power was switched on", "simulated board")
    assert (report.unique, report.firmware) == (b"BRSIM001".hex(), "")


def test_a_sound_board_passes_its_self_test(bench):
    report = self_test_report(MemoryByteLink(bench), SimClock(bench))
    assert len(report.done) == 2
    assert report.failed == ()


def test_a_pin_that_does_not_follow_and_a_converter_that_is_off_fail_it(bench):
    bench.pins.read_back = lambda: messages.PUMP
    bench.pins.reference = lambda: (0x6FF0, 0x7000, 0x9000)
    report = self_test_report(MemoryByteLink(bench), SimClock(bench))
    assert report.failed == report.done
    assert (report.driven, report.read_back) == (0, messages.PUMP)


def test_a_board_that_is_too_old_is_named_and_not_asked(bench, monkeypatch):
    monkeypatch.setattr(bench.board, "_hello", bench.board._hello._replace(minor=0))
    with pytest.raises(ConfigError, match=r"protocol 1\.0 and knows nothing of itself"):
        board_report(MemoryByteLink(bench), SimClock(bench))


@pytest.mark.parametrize(("stuck", "status"), [(0, 0), (messages.COIL, 3)])
def test_the_command_ends_with_status_3_if_the_board_is_not_sound(bench, monkeypatch, stuck, status):
    bench.pins.read_back = lambda: stuck
    monkeypatch.setattr("benchrig.clock.RealClock", lambda: SimClock(bench))
    monkeypatch.setattr("benchrig.drivers.serial_link.open_serial", lambda port, clock: MemoryByteLink(bench))
    ran = CliRunner().invoke(board_command.board, ["self-test", "--port", "/dev/ttyACM0"])
    assert ran.exit_code == status
    assert ("FAILED  outputs" in ran.output) == bool(stuck)
    shown = CliRunner().invoke(board_command.board, ["info", "--port", "/dev/ttyACM0"])
    assert "BRSIM001" in shown.output
