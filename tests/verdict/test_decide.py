"""From characteristics to the verdict on the valve."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import pytest

from benchrig.analysis.results import Characteristic
from benchrig.verdict.cause import Evidence
from benchrig.verdict.decide import decide
from benchrig.verdict.judgement import Judgement, Limit, Reason
from tests.verdict.parts import LIMITS, Found, condition, measured, not_measured, valve

CONDITIONS = ("open-coil", "shorted-turns", "stuck-closed", "stuck-open", "seat-leak", "restricted", "sluggish")


def judgement(
    found: Found, *, guard_band: str = "0.83 U", reason: Reason = "core", normally: str = "closed"
) -> Judgement:
    kind: Literal["closed", "open"] = "open" if normally == "open" else "closed"
    return decide(found[0], LIMITS, guard_band=guard_band, normally=kind, evidence=found[1], reason=reason)


@pytest.mark.parametrize("normally", ["closed", "open"])
def test_a_good_valve_is_accepted_with_no_cause(normally: str) -> None:
    decided = judgement(condition("good", normally), normally=normally)
    assert (decided.verdict, decided.cause, decided.cause_probability, decided.causes) == ("accept", None, None, ())
    assert decided.disposition == "sell"
    assert decided.why == "All 7 characteristics that have a limit pass."


@pytest.mark.parametrize("normally", ["closed", "open"])
@pytest.mark.parametrize("name", CONDITIONS)
def test_every_faulty_condition_is_rejected_with_a_cause(name: str, normally: str) -> None:
    decided = judgement(condition(name, normally), normally=normally)
    assert decided.verdict == "reject"
    assert decided.cause == name.replace("-", " ")
    assert decided.cause_probability == decided.causes[0].probability


def test_the_reason_names_what_fails() -> None:
    assert judgement(condition("seat-leak", "closed")).why.startswith(
        "Hold leak fails: 63.00 sccm, at most 5 sccm allowed"
    )
    assert judgement(condition("sluggish", "closed")).why.startswith(
        "Opening delay, pull-in time and drop-out time fail. Opening delay: 38.0 ms, at most 30 ms allowed; "
    )


def test_a_value_within_the_guard_band_leaves_it_undecided_with_a_suspect() -> None:
    decided = judgement(valve({"hold_leak_sccm": 4.95}))
    assert decided.verdict == "undecided"
    assert decided.why.startswith("Hold leak is too close to its limit to tell: 4.95 sccm")
    assert decided.cause == "seat leak"
    assert decided.disposition == "ask"


def test_just_beyond_the_limit_is_undecided_with_a_guard_band_and_rejected_without() -> None:
    found = valve({"hold_leak_sccm": 5.05})
    assert judgement(found).verdict == "undecided"
    assert judgement(found, guard_band="none").verdict == "reject"
    assert judgement(valve({"hold_leak_sccm": 4.95}), guard_band="none").verdict == "accept"


def test_a_characteristic_with_a_limit_that_was_not_measured_leaves_it_undecided_and_names_no_cause() -> None:
    decided = judgement(valve({"opening_delay_ms": not_measured("opening_delay_ms", "transducer too slow")}))
    assert decided.verdict == "undecided"
    assert decided.why == "Opening delay could not be measured: transducer too slow."
    assert decided.cause is None
    assert decided.disposition == "ask"


def test_a_step_that_never_ran_leaves_it_undecided() -> None:
    found = valve()
    kept = [each for each in found[0] if each.name != "hold_leak_sccm"]
    decided = judgement((kept, found[1]))
    assert decided.verdict == "undecided"
    assert "the step that measures it was not run" in decided.why
    [leak] = [each for each in decided.judged if each.characteristic.name == "hold_leak_sccm"]
    assert (leak.outcome, leak.characteristic.unit) == ("not measured", "sccm")


def test_a_characteristic_without_a_limit_need_not_be_measured() -> None:
    decided = judgement(valve({"steady_current_a": not_measured("steady_current_a", "noisy")}))
    assert decided.verdict == "accept"


def test_a_failure_outweighs_gaps_and_doubts() -> None:
    decided = judgement(
        valve(
            {
                "hold_leak_sccm": 63.0,
                "pull_in_time_ms": 18.01,
                "opening_delay_ms": not_measured("opening_delay_ms", "x"),
            }
        )
    )
    assert decided.verdict == "reject"
    assert decided.why.startswith("Hold leak fails")


def test_an_intermittent_coil_is_not_rejected_but_suspected() -> None:
    why = "intermittent: 1 of 3 readings found no path (above 100 ohm)"
    decided = judgement(
        valve({"coil_resistance_20c_ohm": not_measured("coil_resistance_20c_ohm", why)}, intermittent=True)
    )
    assert (decided.verdict, decided.cause) == ("undecided", "high-resistance joint")


def test_a_model_without_limits_accepts_nothing() -> None:
    found = valve()
    decided = decide(found[0], (), guard_band="U", normally="closed", evidence=found[1], reason="core")
    assert decided.verdict == "undecided"
    assert decided.why == "The model sets no limit on anything: there is nothing to judge by."
    assert {each.outcome for each in decided.judged} == {"no limit"}


def test_one_limit_alone_is_told_in_its_own_words() -> None:
    decided = decide(
        [measured("hold_leak_sccm", 0.3)],
        [Limit("hold_leak_sccm", None, 5.0, "")],
        guard_band="none",
        normally="closed",
        evidence=Evidence(),
        reason="core",
    )
    assert decided.why == "Hold leak passes: 0.30 sccm, at most 5 sccm allowed."


def test_characteristics_come_out_in_the_order_in_which_people_read_them() -> None:
    found = valve()
    decided = judgement((found[0][::-1], found[1]))
    names = [each.characteristic.name for each in decided.judged]
    assert names[:3] == ["coil_resistance_20c_ohm", "steady_current_a", "hold_leak_sccm"]


def test_two_of_one_name_are_refused() -> None:
    twice = [measured("hold_leak_sccm", 0.3)] * 2
    with pytest.raises(ValueError, match="of one name"):
        decide(twice, LIMITS, guard_band="U", normally="closed", evidence=Evidence(), reason="core")


def test_bench_example_one_is_undecided_by_its_guard_band() -> None:
    # GUM-style coil example: y = 27.900, u = 0.05789, upper limit 28, w = U = 0.1158, AL = 27.8842 [computed].
    read = Characteristic("coil_resistance_20c_ohm", 27.900, 0.05789, "ohm", how="")
    limit = Limit("coil_resistance_20c_ohm", None, 28.0, "")
    decided = decide([read], [limit], guard_band="U", normally="closed", evidence=Evidence(), reason="return")
    assert decided.verdict == "undecided"
    assert decided.judged[0].p_conform == pytest.approx(0.95795, abs=5e-5)


def by_practice(found: Found) -> Judgement:
    limits = [
        Limit("coil_resistance_20c_ohm", 15.0, 30.0, "general practice"),
        Limit("hold_leak_sccm", None, 5.0, "general practice"),
    ]
    return decide(
        found[0], limits, guard_band="0.83 U", normally="closed", evidence=found[1], reason="core",
        by_general_practice=True,
    )  # fmt: skip


def test_by_general_practice_a_good_valve_is_not_accepted_but_no_fault_was_found() -> None:
    decided = by_practice(condition("good", "closed"))
    assert (decided.verdict, decided.cause, decided.causes, decided.disposition) == ("undecided", None, (), "ask")
    assert decided.why.startswith("No fault found by general practice")
    assert {each.outcome for each in decided.judged} == {"pass", "no limit"}


def test_by_general_practice_a_leak_rejects() -> None:
    decided = by_practice(condition("seat-leak", "closed"))
    assert (decided.verdict, decided.cause) == ("reject", "seat leak")


def test_by_general_practice_a_coil_unlike_most_rejects_only_where_it_does_not_click() -> None:
    characteristics, evidence = valve({"coil_resistance_20c_ohm": 41.0})
    clicking = by_practice((characteristics, replace(evidence, clicks=4, moved_fraction=1.0)))
    assert (clicking.verdict, clicking.cause, clicking.disposition) == ("undecided", None, "ask")
    assert "most coils have, not all" in clicking.why
    silent = by_practice((characteristics, replace(evidence, clicks=4, moved_fraction=0.5)))
    assert silent.verdict == "reject"
