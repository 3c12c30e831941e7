"""Short sequences on the simulated bench in memory."""

from __future__ import annotations

import pytest

from benchrig.sequencer.steps import flow as flow_step
from simulators import entry
from tests.application.consoles import SHORT
from tests.sequencer.short_runs import canned_flow


@pytest.fixture(autouse=True)
def short_sequence(monkeypatch: pytest.MonkeyPatch) -> None:
    demo = entry.demo_bench_toml()
    monkeypatch.setattr(entry, "demo_bench_toml", lambda: demo.replace("[sequence]\n", SHORT))
    monkeypatch.setattr(flow_step, "analyse_flow", canned_flow)
