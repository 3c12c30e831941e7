"""The table of steps: nothing goes before what it needs, and what is recorded says how long it can be."""

from __future__ import annotations

import importlib
import pkgutil

import pytest

from benchrig.analysis.characteristics import CHARACTERISTICS
from benchrig.bench.file import SequenceTable
from benchrig.sequencer import steps
from benchrig.sequencer.sequence import MEASURING_STEPS, STEPS, WARM_STEP, with_needed

STEP = {("Context", "StepOutput"), ("Context", "Waiting[StepOutput]")}
"""What a step takes and gives back, as its annotations say."""
NOT_IN_THE_TABLE = {"control"}
"""Only where a reject is doubted: put in by the run itself."""


def test_every_step_comes_after_those_that_it_needs():
    names = [step.name for step in STEPS]
    for number, step in enumerate(STEPS):
        assert set(step.needs) <= set(names[:number])
    assert set(WARM_STEP.needs) <= set(names)


@pytest.mark.parametrize(
    ("wanted", "done"),
    [
        (("coil",), ["ready", "coil"]),
        (("clicks",), ["ready", "coil", "clicks"]),
        (("flow",), ["ready", "coil", "hold", "flow"]),
        (MEASURING_STEPS, [step.name for step in STEPS]),
    ],
)
def test_a_study_gets_what_it_asks_for_and_what_that_needs(wanted, done):
    assert [step.name for step in with_needed(wanted)] == done


def test_no_module_with_a_step_in_it_is_left_out_of_the_table():
    found = set()
    for module in pkgutil.iter_modules(steps.__path__):
        one = getattr(importlib.import_module(f"{steps.__name__}.{module.name}"), module.name, None)
        if callable(one) and (one.__annotations__.get("run"), one.__annotations__.get("return")) in STEP:
            found.add(module.name)
    assert found - NOT_IN_THE_TABLE == {step.name for step in (*STEPS, WARM_STEP)}


def test_what_makes_a_recording_longer_is_a_setting_of_the_bench_file():
    for step in STEPS:
        if step.records is not None and step.records.setting:
            assert step.records.setting in SequenceTable.model_fields
            assert step.records.words(10.0) > step.records.words(5.0)


def test_every_characteristic_is_measured_by_a_step_that_there_is_and_every_measuring_step_gives_some():
    steps = {about.step for about in CHARACTERISTICS.values()}
    assert steps == {*MEASURING_STEPS, WARM_STEP.name}
