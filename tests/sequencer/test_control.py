"""Before a leak or a blocked flow is held against the valve, the bench is looked at without it."""

import pytest

from benchrig.application.paths import model_folders
from benchrig.bench.opening import open_registered
from benchrig.catalogue import Catalogue
from benchrig.errors import BenchError, aborted
from benchrig.rehearsal.one_valve import InMemory
from benchrig.sequencer.events import Intake
from benchrig.sequencer.operator import Fitting, Silent
from benchrig.sequencer.run import qualify

pytestmark = pytest.mark.usefixtures("quick_fill")


class Steps(InMemory):
    def __init__(self):
        self.steps, self.ends = [], []

    def step_finished(self, step):
        self.steps.append(step)

    def run_ended(self, end):
        self.ends.append(end)


def taken(
    model, condition, *faults, operator=Silent, seed=4, control_waived=False, warm_c=None, value=None, prepare=None
):
    valve = Catalogue(model_folders()).get(model)
    opened = open_registered(
        "simulated", {"model": model, "condition": condition, "seed": seed, "faults": list(faults), "value": value}
    )
    steps = Steps()
    with opened as bench:
        if prepare is not None:
            prepare(bench)
        try:
            finished = qualify(
                bench,
                valve,
                Intake("C-1", model, "core", "test"),
                sink=steps,
                operator=operator(opened.hands) if operator else None,
                control_waived=control_waived,
                warm_c=warm_c,
            )
        finally:
            assert bench.board.status().outputs == frozenset()
    return finished, steps


@pytest.mark.parametrize("model", ["alder-24", "birch-26"])
@pytest.mark.parametrize(
    ("condition", "fault", "names"),
    [
        ("good", "line-leak@0", "hose, coupling and port seal"),
        ("seat-leak", "line-leak@0", "hose, coupling and port seal"),
        ("good", "blocked-line@0", "Hose, coupling and filter"),
    ],
)
def test_what_is_the_benchs_is_never_held_against_the_valve(model, condition, fault, names):
    with pytest.raises(BenchError, match="Nothing is said about the valve") as caught:
        taken(model, condition, fault)
    assert names in caught.value.hint
    assert "all outputs off" in aborted(caught.value).bench_state


@pytest.mark.parametrize(
    ("condition", "says"), [("seat-leak", "the bench is tight"), ("restricted", "air comes in freely")]
)
def test_on_a_sound_bench_the_reject_stands_and_the_record_says_what_was_seen(condition, says):
    finished, steps = taken("alder-24", condition)
    assert finished.judgement.verdict == "reject"
    assert finished.judgement.cause == condition.replace("-", " ")
    assert steps.steps[-1].name == "control"
    assert says in steps.steps[-1].notes[0]
    assert steps.steps[-1].ended_s <= finished.bench_seconds


def test_with_nobody_there_a_leak_is_left_undecided_and_the_record_says_why():
    finished, steps = taken("alder-24", "seat-leak", operator=None)
    assert (finished.judgement.verdict, finished.judgement.disposition) == ("undecided", "ask")
    assert "The bench was not looked at without the valve: a leaking hose would look the same" in finished.judgement.why
    assert finished.judgement.cause == "seat leak"
    assert "--no-control" in finished.judgement.disposition_why
    assert "a leaking hose would look the same" in steps.steps[-1].skipped
    assert steps.ends[-1].judgement == finished.judgement


def test_where_the_control_was_waived_the_reject_stands_and_the_record_says_that_nobody_looked():
    finished, steps = taken("alder-24", "seat-leak", operator=None, control_waived=True)
    assert finished.judgement.verdict == "reject"
    assert "a leaking hose would look the same" in steps.steps[-1].skipped


def test_a_reject_that_rests_on_the_clicks_too_needs_nobody():
    finished, _ = taken("alder-24", "stuck-closed", operator=None)
    assert finished.judgement.verdict == "reject"


def test_a_good_valve_and_a_dead_coil_need_no_control():
    for condition in ("good", "open-coil"):
        _, steps = taken("alder-24", condition)
        assert [step.name for step in steps.steps][-1] == "clicks"


class Leaves:
    """Presses Ctrl-C when asked to take the valve off."""

    def __init__(self, hands):
        self.asked = []

    def connect(self, fitting):
        self.asked.append(fitting)
        assert fitting is Fitting.BLIND
        raise KeyboardInterrupt


def test_a_control_that_is_stopped_closes_the_record_and_leaves_the_outputs_off():
    with pytest.raises(KeyboardInterrupt):
        taken("alder-24", "seat-leak", operator=Leaves)


FEW_TURNS_OHM = 8.0


def reads(factor):
    """Let the bench's meter find this many times each resistance."""

    def prepare(bench):
        sound = bench.meter.fetch
        bench.meter.fetch = lambda: factor * sound()

    return prepare


def test_a_coil_too_short_to_be_energised_is_rejected_once_the_meter_has_read_the_reference():
    finished, steps = taken("alder-24", "shorted-turns", value=FEW_TURNS_OHM)
    assert (finished.judgement.verdict, finished.judgement.cause) == ("reject", "shorted turns")
    control = steps.steps[-1]
    assert control.name == "control"
    assert control.notes == ("controlled: the meter reads the reference resistor right",)
    assert control.readings["reference resistor"][0] == pytest.approx(25.0, rel=0.01)


@pytest.mark.parametrize("factor", [0.05, 0.2, 0.35])
def test_a_meter_that_reads_a_good_coil_as_a_short_reads_the_reference_so_too_and_is_told_as_the_bench(factor):
    with pytest.raises(BenchError, match="the reference resistor of 25 ohm") as caught:
        taken("alder-24", "good", prepare=reads(factor))
    assert caught.value.exit_status == 3
    assert "the relay K2" in caught.value.hint
    assert "all outputs off" in aborted(caught.value).bench_state


def test_with_nobody_there_for_the_reference_a_dead_short_is_left_undecided():
    finished, _ = taken("alder-24", "good", prepare=reads(0.2), operator=None)
    assert finished.judgement.verdict == "undecided"
    assert "a meter that reads low would look the same" in finished.judgement.why


def test_without_a_reference_resistor_in_the_bench_file_a_dead_short_is_no_verdict():
    def prepare(bench):
        bench.file = bench.file.model_copy(update={"reference_resistor": None})

    with pytest.raises(BenchError, match="no reference resistor in the bench file"):
        taken("alder-24", "shorted-turns", value=FEW_TURNS_OHM, prepare=prepare)
