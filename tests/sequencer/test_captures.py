"""A run whose recordings do not fit into the board's memory is refused before it begins, with what would fit."""

from __future__ import annotations

import re

import pytest

from benchrig.application.paths import model_folders
from benchrig.bench.file import SHORTEST_FLOW_S, SHORTEST_HOLD_S
from benchrig.catalogue import Catalogue
from benchrig.errors import ConfigError
from benchrig.sequencer.captures import check_captures
from benchrig.sequencer.events import Intake
from benchrig.sequencer.run import qualify
from benchrig.sequencer.steps import clicks, flow, hold
from simulators.instruments.board_pins import CAPTURE_WORDS
from tests.sequencer.simulated_hands import simulated

pytestmark = pytest.mark.usefixtures("quick_fill")


class NoSink:
    """A record that must not be begun."""

    def __getattr__(self, name):
        raise AssertionError(f"{name} of the record was called")


def bench_with(words=CAPTURE_WORDS, **sequence):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("simulators.instruments.board_pins.CAPTURE_WORDS", words)
        opened, bench, _ = simulated(seed=1)
    table = bench.file.sequence.model_copy(update=sequence)
    bench.file = bench.file.model_copy(update={"sequence": table})
    return opened, bench


def asked(bench):
    bench.connect()
    check_captures(bench)


def test_the_demo_bench_has_room_for_its_own_recordings():
    asked(bench_with()[1])


@pytest.mark.parametrize(
    ("words", "sequence", "names"),
    [
        (65_536, {"flow_s": 60.0}, ("flow_s",)),
        (65_536, {"hold_s": 600.0}, ("hold_s",)),
        (65_536, {"hold_s": 600.0, "flow_s": 20.0}, ("hold_s", "flow_s")),
        (20_000, {}, ("flow_s",)),
        (8_800, {"hold_s": 60.0, "flow_s": 2.0}, ("hold_s",)),
    ],
)
def test_what_is_too_long_is_named_with_the_longest_that_fits(words, sequence, names):
    _, bench = bench_with(words, **sequence)
    with pytest.raises(ConfigError) as caught:
        asked(bench)
    fits = dict(re.findall(r"(\w+) to ([\d.]+) or less", caught.value.hint))
    assert tuple(fits) == names
    assert f"{words} words" in str(caught.value)
    for name, seconds in fits.items():
        needs = {"hold_s": hold.capture_words, "flow_s": flow.capture_words}[name]
        assert needs(float(seconds)) <= words < needs(float(seconds) + 0.1)
        assert f"{needs(getattr(bench.file.sequence, name))} words" in str(caught.value)
    asked(bench_with(words, **(sequence | {name: float(seconds) for name, seconds in fits.items()}))[1])


def test_a_board_without_room_for_the_shortest_settings_is_at_fault_itself():
    least = flow.capture_words(SHORTEST_FLOW_S)
    asked(bench_with(least, flow_s=SHORTEST_FLOW_S, hold_s=SHORTEST_HOLD_S)[1])
    _, bench = bench_with(least - 1, flow_s=SHORTEST_FLOW_S, hold_s=SHORTEST_HOLD_S)
    with pytest.raises(ConfigError, match=f"{least - 1} words; a run needs {least} at least"):
        asked(bench)


def test_a_run_that_just_fits_is_made_and_one_word_less_refuses_it_before_its_record_begins():
    valve = Catalogue(model_folders()).get("alder-24")
    intake = Intake("C-1", "alder-24", "core", "test")
    needed = max(hold.capture_words(30.0), flow.capture_words(6.0), hold.QUICK_WORDS, clicks.WORDS)

    def run(words, sink):
        opened, bench = bench_with(words)
        return opened, qualify(bench, valve, intake, sink=sink)

    class Sink:
        def run_started(self, started):
            return "0001"

        def step_finished(self, step):
            pass

        def run_ended(self, ended):
            pass

    _, finished = run(needed, Sink())
    assert finished.judgement.verdict == "accept"
    with pytest.raises(ConfigError, match="flow_s"):
        run(needed - 1, NoSink())
