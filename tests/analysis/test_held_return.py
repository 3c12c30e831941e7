"""An armature that is stopped on its way back has not dropped out; the same one without anything in its way has."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from benchrig.analysis.armature.inrush import InrushResult, analyse_inrush

sys.path.insert(0, str(Path(__file__).parents[1] / "benchmarks"))
from stranger_armature import Barrier, march
from stranger_probe import draw_setup, record, truth
from stranger_valve import ANY, changed, draw_valve, pulse_drives

HELD = "something may hold it on its way"


def read(seed: int, part: float | None) -> tuple[InrushResult, float | None]:
    """One valve, its armature stopped at this part of the stroke on its way back, and the true drop-out."""
    rng = np.random.default_rng(seed)
    valve, run = draw_valve(rng, ANY)
    if part is not None:
        valve = changed(valve, barriers=(Barrier(part * valve.mechanics.stroke_m, -1),))
        run = march(valve.magnet, valve.mechanics, pulse_drives(valve, 0.06))
    made = record(rng, valve, run, draw_setup(rng))
    true = truth(valve, run)["drop_out_time_ms"] if part is None else None
    return analyse_inrush(made.time_s, made.signal, **made.told), true


@pytest.mark.slow
def test_an_armature_held_at_half_its_way_back_mostly_gets_no_drop_out_and_the_reason() -> None:
    found = [read(seed, 0.5)[0] for seed in range(40)]
    named = [r for r in found if any(HELD in note for note in r.notes)]

    assert all(r.drop_out_time_ms is None for r in named)
    assert len(named) >= 15
    assert sum(r.drop_out_time_ms is not None for r in found) <= 8


@pytest.mark.slow
def test_armatures_with_nothing_in_their_way_are_not_called_held() -> None:
    found = [read(seed, None) for seed in range(40)]

    assert sum(any(HELD in note for note in r.notes) for r, _ in found) <= 1
    stated = [(r.drop_out_time_ms, true) for r, true in found if r.drop_out_time_ms is not None and true is not None]
    assert len(stated) >= 20


@pytest.mark.slow
@pytest.mark.parametrize("seed", [59, 126, 240, 325])
def test_a_slope_that_is_not_clearly_that_of_a_held_armature_is_no_reason(seed: int) -> None:
    """Four of 376 sound valves whose current falls off along a corner, but with the slope of an open gap."""
    assert not any(HELD in note for note in read(seed, None)[0].notes)
