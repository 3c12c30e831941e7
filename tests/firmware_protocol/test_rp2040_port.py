"""The port to the microcontroller on a fake chip, here and on MicroPython itself. No real chip has been tried."""

import ast
from pathlib import Path

import pytest

from firmware_protocol.rp2040 import boot, pins
from tests.firmware_protocol.port_scenarios import SCENARIOS
from tests.firmware_protocol.test_micropython import runtime
from tests.helpers import on_micropython

REPOSITORY = Path(__file__).parents[2]


@pytest.mark.slow
@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda scenario: scenario.__name__)
def test_on_the_fake_chip(scenario):
    scenario()


def test_boot_drives_the_pins_of_the_table():
    assert tuple(pin for _, pin in pins.OUTPUTS) == boot.OUTPUT_PINS


def test_no_pin_has_two_jobs():
    used = [pin for _, pin in (*pins.OUTPUTS, *pins.INPUTS)] + [*pins.ANALOG, pins.SERVICE]
    assert len(set(used)) == len(used)
    assert all(0 <= pin <= 29 for pin in used)


@pytest.mark.slow
def test_on_micropython():
    found = on_micropython(Path(__file__).with_name("run_port_on_micropython.mjs"))
    assert found == [scenario.__name__ for scenario in SCENARIOS]


def test_the_port_imports_only_what_the_board_has():
    board_has = {"machine", "micropython", "rp2", "uctypes", "select", "sys", "time", "collections", "gc", "hashlib"}
    found = {}
    for path in (REPOSITORY / "firmware_protocol" / "rp2040").glob("*.py"):
        found[path.stem] = set()
        for node in runtime(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found[path.stem] |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                found[path.stem].add((node.module or "").split(".")[0])
    assert found["boot"] == {"machine", "micropython"}, "what comes first hangs on no file of ours"
    assert set().union(*found.values()) <= {*board_has, "firmware_protocol"}
