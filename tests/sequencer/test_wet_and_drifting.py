"""A wet valve and a drifting room in the sequence: seen in the hold, carried to the verdict, never a leak."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchrig.analysis import hold as analysis
from benchrig.sequencer.steps import hold as step
from tests.sequencer.test_control import taken

pytestmark = pytest.mark.slow


def hold_with(monkeypatch, **found):
    """Let the analysis find this in whatever it is given; return what it was given."""
    given: list[dict[str, object]] = []

    def analyse(*args, **options):
        given.append(options)
        return replace(analysis.analyse_hold(*args, **options), **found)

    monkeypatch.setattr(step, "analyse_hold", analyse)
    return given


@pytest.mark.parametrize(("fault", "k_min"), [((), 0.0), (("drifting-room@0",), 1.5)])
def test_the_analysis_is_told_how_fast_the_room_drifted_while_it_was_held(monkeypatch, fault, k_min):
    given = hold_with(monkeypatch)
    _, steps = taken("alder-24", "good", *fault)
    u = 60 * given[0]["ambient_drift_u_k_s"]
    assert 0.02 < u < 0.15
    assert 60 * given[0]["ambient_drift_k_s"] == pytest.approx(k_min, abs=2 * u)
    assert steps.steps[2].readings["drift of the room"][0] == pytest.approx(k_min, abs=2 * u)


def test_vapour_that_the_hold_shows_makes_the_valve_wet_and_asks_for_no_control(monkeypatch):
    wet = {"explanation": "wet", "vapour_probability": 0.9, "vapour_pa": 1500.0, "vapour_time_constant_s": 33.0}
    hold_with(monkeypatch, **wet)
    finished, steps = taken("alder-24", "good")
    assert (finished.judgement.verdict, finished.judgement.cause) == ("undecided", "wet")
    assert "1.5 kPa" in finished.judgement.why
    assert "after 35 minutes" in finished.judgement.disposition_why
    assert steps.steps[-1].name == "clicks"
    assert steps.steps[2].readings["rise beside it that levels off"] == (1500.0, "Pa")


def test_a_slow_wall_is_the_benchs_and_makes_no_valve_wet(monkeypatch):
    hold_with(monkeypatch, explanation="slow_wall", vapour_probability=0.9, vapour_pa=90.0)
    finished, _ = taken("alder-24", "good")
    assert finished.judgement.verdict == "accept"


def test_a_certain_leak_beside_vapour_is_controlled_and_rejected(monkeypatch):
    hold_with(monkeypatch, explanation="wet", vapour_probability=0.9, vapour_pa=900.0)
    finished, steps = taken("alder-24", "wet-and-leaking")
    assert (finished.judgement.verdict, finished.judgement.cause) == ("reject", "seat leak")
    assert "the bench is tight" in steps.steps[-1].notes[0]
