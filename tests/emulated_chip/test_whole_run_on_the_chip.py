"""Whole runs with the board's firmware on the emulated chip and the simulated world on its pins, all on one clock.

About 4 s of processor time for each second of the bench. Not yet carried through to the end once (the computer was too
busy), so it is asked for by BENCHRIG_CHIP_RUNS=1 and not part of what must pass.
"""

import os

import pytest

from tests.benchmarks.whole_run import whole_run
from tests.emulated_chip.chip import Chip
from tests.emulated_chip.emulated_bench import ChipLink, EmulatedBench

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(os.environ.get("BENCHRIG_CHIP_RUNS") != "1", reason="BENCHRIG_CHIP_RUNS=1 asks for it"),
]


def run_on_the_chip(monkeypatch, flash, condition):
    with Chip(flash) as chip:
        monkeypatch.setattr(
            "simulators.entry.SimulatedBench", lambda world, **given: EmulatedBench(world, chip=chip, **given)
        )
        got = whole_run(
            "alder-24",
            condition,
            1,
            full=False,
            board="R7452D2A",
            link=lambda opened: ChipLink(opened.simulated_bench),
        )
        assert chip.resets == []
        assert chip.outputs == 0
    return got


@pytest.mark.parametrize("condition", ["good", "stuck-closed", "seat-leak"])
def test_a_whole_run_on_the_chip_gives_the_verdict_that_it_gives_in_memory(monkeypatch, flash, condition):
    expected = whole_run("alder-24", condition, 1, full=False)
    got = run_on_the_chip(monkeypatch, flash, condition)
    assert (got.error, got.status, got.verdict, got.cause) == ("", expected.status, expected.verdict, expected.cause)
