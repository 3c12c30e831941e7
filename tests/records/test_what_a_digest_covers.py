"""Whatever is changed in a written record shows against its digests: every field of every step and of the end."""

from __future__ import annotations

import dataclasses
from datetime import timedelta

import numpy as np
import pytest

from benchrig.analysis.results import Characteristic, Curve, Trace
from benchrig.records.digests import end_digest, start_digest, step_digest
from benchrig.sequencer.events import RunEnded, StepResult
from tests.reports.sample_record import STARTED, judgement, started, steps

TIMES = np.array([0.0, 0.1, 0.2])
TRACE = Trace(
    "hold",
    TIMES,
    {"pressure_pa": TIMES + 4e4},
    {"opened": 0.1},
    curves=(("pressure_pa", Curve("fit", TIMES[:2], TIMES[:2] + 4e4)),),
)
LEAK = Characteristic("hold_leak_sccm", 0.3, 0.1, "sccm", how="rise", parts=(("fit", 0.1),))
STEP = StepResult(
    "hold", "Hold vacuum", 1.0, 2.0, (LEAK,), (TRACE,), {"vacuum left": (57.3, "kPa")}, ("a note",), skipped=""
)


def curve(**changed: object) -> tuple[Trace, ...]:
    column, fit = TRACE.curves[0]
    return (dataclasses.replace(TRACE, curves=((column, dataclasses.replace(fit, **changed)),)),)  # type: ignore[arg-type]


OTHER_STEPS = {
    "name": {"name": "flow"},
    "title": {"title": "Hold"},
    "start": {"started_s": 1.1},
    "end": {"ended_s": 2.1},
    "value": {"characteristics": (dataclasses.replace(LEAK, value=0.31),)},
    "uncertainty": {"characteristics": (dataclasses.replace(LEAK, u=0.11),)},
    "unit": {"characteristics": (dataclasses.replace(LEAK, unit="Pa/s"),)},
    "bound": {"characteristics": (dataclasses.replace(LEAK, bound="above"),)},
    "parts": {"characteristics": (dataclasses.replace(LEAK, parts=(("fit", 0.2),)),)},
    "how": {"characteristics": (dataclasses.replace(LEAK, how="fall"),)},
    "why not": {"characteristics": (dataclasses.replace(LEAK, why_not="x"),)},
    "a reading's value": {"readings": {"vacuum left": (57.4, "kPa")}},
    "a reading's unit": {"readings": {"vacuum left": (57.3, "Pa")}},
    "a reading taken away": {"readings": {}},
    "a note": {"notes": ("another",)},
    "skipped": {"skipped": "why"},
    "times": {"traces": (dataclasses.replace(TRACE, time_s=TIMES + 1e-12),)},
    "a column": {"traces": (dataclasses.replace(TRACE, columns={"pressure_pa": np.nextafter(TIMES + 4e4, 1e9)}),)},
    "a column's name": {"traces": (dataclasses.replace(TRACE, columns={"current_a": TIMES + 4e4}),)},
    "a mark": {"traces": (dataclasses.replace(TRACE, marks={"opened": 0.2}),)},
    "a curve's values": {"traces": curve(values=TIMES[:2] + 5e4)},
    "a curve's times": {"traces": curve(time_s=TIMES[1:])},
    "a curve's label": {"traces": curve(label="guess")},
    "a curve taken away": {"traces": (dataclasses.replace(TRACE, curves=()),)},
}


@pytest.mark.parametrize("what", OTHER_STEPS)
def test_a_change_in_a_step_changes_its_digest(what):
    assert step_digest("before", dataclasses.replace(STEP, **OTHER_STEPS[what])) != step_digest("before", STEP)


def test_the_same_step_has_the_same_digest_and_another_one_after_another_step():
    assert step_digest("before", dataclasses.replace(STEP)) == step_digest("before", STEP)
    assert step_digest("other", STEP) != step_digest("before", STEP)


END = RunEnded(STARTED, "finished", 50.0, judgement("reject", steps("reject")), "an error", "a hint", "all off")
OTHER_ENDS = {
    "at": {"at": STARTED + timedelta(seconds=1)},
    "ending": {"ending": "aborted"},
    "bench seconds": {"bench_seconds": 50.5},
    "judgement": {"judgement": None},
    "verdict": {"judgement": dataclasses.replace(END.judgement, verdict="accept")},  # type: ignore[type-var]
    "error": {"error": "another"},
    "hint": {"hint": "another"},
    "state": {"bench_state": "on"},
}


@pytest.mark.parametrize("what", OTHER_ENDS)
def test_a_change_in_the_end_changes_its_digest(what):
    assert end_digest("before", dataclasses.replace(END, **OTHER_ENDS[what])) != end_digest("before", END)


@pytest.mark.parametrize("what", ["tag", "reason", "operator", "complaint", "findings"])
def test_a_change_in_the_intake_changes_the_first_digest(what):
    first = started()
    other = dataclasses.replace(first, intake=dataclasses.replace(first.intake, **{what: "core"}))
    assert start_digest("0001", other) != start_digest("0001", first)
    assert start_digest("0002", first) != start_digest("0001", first)
