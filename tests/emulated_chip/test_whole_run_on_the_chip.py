"""Whole runs with the board's firmware on the emulated chip and the simulated world on its pins, all on one clock.

About 5 s of processor time for each second of the bench, 80 to 140 s a run: so one of them is part of what must pass,
and BENCHRIG_CHIP_RUNS=1 asks for the others.
"""

import os

import pytest

from tests.benchmarks.whole_run import whole_run
from tests.emulated_chip.chip import Chip
from tests.emulated_chip.emulated_bench import ChipLink, EmulatedBench

pytestmark = pytest.mark.slow
NOT_ASKED_FOR = pytest.mark.skipif(
    os.environ.get("BENCHRIG_CHIP_RUNS") != "1", reason="BENCHRIG_CHIP_RUNS=1 asks for it"
)


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


@pytest.mark.parametrize(
    "condition",
    ["good", pytest.param("stuck-closed", marks=NOT_ASKED_FOR), pytest.param("seat-leak", marks=NOT_ASKED_FOR)],
)
def test_a_whole_run_on_the_chip_gives_the_verdict_that_it_gives_in_memory(monkeypatch, flash, condition):
    expected = whole_run("alder-24", condition, 1, full=False)
    got = run_on_the_chip(monkeypatch, flash, condition)
    assert (got.error, got.status, got.verdict, got.cause) == ("", expected.status, expected.verdict, expected.cause)
    # The same valve: what the board adds to the time of a click would show here (it did: 0.3 to 0.4 ms).
    for name in ("pull_in_time_ms", "drop_out_time_ms"):
        if name in expected.measured:
            (wanted, wanted_u), (value, u) = expected.measured[name], got.measured[name]
            assert abs(value - wanted) < 2 * (wanted_u**2 + u**2) ** 0.5, (name, value, wanted)
    assert ("pull_in_time_ms" in expected.measured) == (condition != "stuck-closed")
