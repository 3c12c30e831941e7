"""The emulated chip, started once for the tests of a module: a start takes a second of the chip's time."""

import pytest

from tests.emulated_chip.chip import Chip, emulator_folder
from tests.emulated_chip.chip_client import ChipClient
from tests.emulated_chip.flash import firmware_files, write_flash


@pytest.fixture(scope="session")
def flash(tmp_path_factory):
    return write_flash(tmp_path_factory.mktemp("chip") / "flash", emulator_folder(), firmware_files())


@pytest.fixture(scope="module")
def running_chip(flash):
    with Chip(flash) as chip:
        ChipClient(chip).greet()
        yield chip


@pytest.fixture
def client(running_chip):
    """A host greeted by a board at rest: not tripped, not armed, no word at any channel."""
    for name in ("estop", "guard"):
        running_chip.input(name, closed=True)
    running_chip.set_words(0, 0, 0, 0)
    client = ChipClient(running_chip)
    client.greet()
    return client


@pytest.fixture
def bare_flash(tmp_path):
    """A flash with MicroPython and an empty file system."""
    return write_flash(tmp_path / "bare", emulator_folder(), {})
