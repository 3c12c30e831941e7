"""`benchrig board install` against MicroPython itself, on an emulated chip with an empty file system."""

import pytest

from benchrig.drivers.board_install import firmware_on_this_computer, install, report_of_started
from benchrig.drivers.board_knowledge import board_report
from benchrig.errors import ConfigError, LinkError, aborted
from tests.emulated_chip.chip import MS, Chip, emulator_folder
from tests.emulated_chip.chip_link import ChipClock, PlainLink
from tests.emulated_chip.flash import firmware_files, write_flash

pytestmark = pytest.mark.slow


class CutOff(PlainLink):
    """The cable comes out after so many bytes."""

    left = 20_000

    def write(self, data):
        self.left -= len(data)
        if self.left < 0:
            raise OSError(5, "Input/output error")
        super().write(data)


def test_the_firmware_is_installed_on_a_chip_that_has_only_micropython_and_runs_there(bare_flash):
    with Chip(bare_flash) as chip:
        chip.run_for(1500 * MS)
        clock = ChipClock(chip)
        with pytest.raises(LinkError) as caught:
            install(CutOff(chip), clock)
        assert "half installed" in aborted(caught.value).bench_state
        chip.power_cycle()
        chip.run_for(1500 * MS)
        chip.said()
        with pytest.raises(ConfigError, match="prompt answers there, and no firmware"):
            board_report(PlainLink(chip), clock)

        began_ns = chip.now_ns
        done = install(PlainLink(chip), clock)
        print(f"installed in {(chip.now_ns - began_ns) / 1e9:.1f} s of the chip's time, on {done.runs_on}")
        report = report_of_started(PlainLink(chip), clock, done)
        assert (done.files, report.firmware, report.identity.identity) == (20, done.firmware, "R7452D2A")
        assert len(firmware_on_this_computer()) == 20
        assert {mask for _, mask in chip.changes} <= {0}
        with pytest.raises(ConfigError, match="runs the firmware already"):
            install(PlainLink(chip), clock)
        chip.power_cycle()
        assert report_of_started(PlainLink(chip), clock, done).firmware == done.firmware
        assert chip.resets == []


def test_a_firmware_without_its_start_switches_nothing_on_and_is_told_from_a_whole_one(tmp_path):
    files = firmware_files()
    del files["/main.py"]
    with Chip(write_flash(tmp_path / "half", emulator_folder(), files)) as chip:
        chip.run_for(2000 * MS)
        chip.said()
        with pytest.raises(ConfigError, match="prompt answers there, and no firmware"):
            board_report(PlainLink(chip), ChipClock(chip))
        assert chip.changes == []


def test_a_full_file_system_is_refused_and_left_as_it_is(tmp_path):
    files = {"/notes.txt": bytes(1_350_000)}
    with Chip(write_flash(tmp_path / "full", emulator_folder(), files)) as chip:
        chip.run_for(1500 * MS)
        with pytest.raises(ConfigError, match="bytes are free on the board, the firmware needs"):
            install(PlainLink(chip), ChipClock(chip))
