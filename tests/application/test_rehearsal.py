"""Simulated valves through the sequence, as a batch or a console would have it done."""

from __future__ import annotations

import pytest

from benchrig.application.events import RehearsalBegan, RehearsalProgress
from benchrig.application.rehearsal import RehearsalRequest, rehearse_valves
from benchrig.errors import ConfigError
from benchrig.rehearsal.one_valve import Result
from tests.application.consoles import Console


@pytest.fixture(autouse=True)
def canned(monkeypatch):
    def without_a_bench(work, *, workers, clock):
        for entry in work.entries:
            yield None
            yield Result(entry, "bench fault", said="canned")

    monkeypatch.setattr("benchrig.workers.processes.work_through", without_a_bench)


def test_each_valve_is_told_and_counted():
    console = Console()
    done = rehearse_valves(RehearsalRequest(3, 1, workers=2), tell=console)
    assert console.of(RehearsalBegan) == [RehearsalBegan(3, 1, 2, None, None)]
    assert [(each.done, each.without_verdict) for each in console.of(RehearsalProgress)][-1] == (3, 3)
    assert (len(done.tally.results), done.workers, done.stopped) == (3, 2, False)


def test_a_stop_gives_back_what_is_through_by_then():
    console = Console()
    done = rehearse_valves(
        RehearsalRequest(3, 1), tell=console, stop_wanted=lambda: console.of(RehearsalProgress)[-1].done == 2
    )
    assert (len(done.tally.results), done.stopped) == (2, True)


def test_a_mix_of_what_the_simulated_bench_does_not_know_is_refused(tmp_path):
    mix = tmp_path / "mix.toml"
    mix.write_text("models = { alder-24 = 1 }\nconditions = { haunted = { share = 1 } }\n", encoding="utf-8")
    with pytest.raises(ConfigError, match="haunted"):
        rehearse_valves(RehearsalRequest(3, 1, mix_file=mix))
