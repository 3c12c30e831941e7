"""What the sequencer's tests share."""

from __future__ import annotations

import os

import pytest

from benchrig.sequencer.steps import flow as flow_step
from tests.sequencer.short_runs import canned_flow

ANALYSE_FLOW = flow_step.analyse_flow


@pytest.fixture
def quick_fill(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the slope of a fill stand in for its analysis, most of a run's time: for tests of everything else.

    Where all is asked for (BENCHRIG_REQUIRE_ALL=1) the analysis itself is used.
    """
    if os.environ.get("BENCHRIG_REQUIRE_ALL") != "1":
        monkeypatch.setattr(flow_step, "analyse_flow", canned_flow)


@pytest.fixture
def real_fill(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Analyse the fill all the same, in a module of tests that do without."""
    request.getfixturevalue("quick_fill")  # which would otherwise undo this, where it comes later
    monkeypatch.setattr(flow_step, "analyse_flow", ANALYSE_FLOW)
