"""Counting, and how sure the counts are."""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy.stats import binom, binomtest

from benchrig.analysis.results import Characteristic
from benchrig.application.paths import model_folders
from benchrig.catalogue import Catalogue
from benchrig.rehearsal.confidence_limits import Rate, quantile
from benchrig.rehearsal.json_output import rehearsal_document
from benchrig.rehearsal.miss_explanations import again, remedy
from benchrig.rehearsal.one_valve import RehearsalSettings, Result
from benchrig.rehearsal.plan import Entry
from benchrig.rehearsal.tally import Tally, kind_of_miss
from benchrig.verdict.cause import Evidence
from benchrig.verdict.decide import decide
from benchrig.verdict.judgement import Limit
from benchrig.verdict.wet import Vapour

LEAK = Limit("hold_leak_sccm", None, 5.0, "made up")
SETTING = RehearsalSettings(7, {"alder-24": Catalogue(model_folders()).get("alder-24")})


def valve(index: int, condition: str, leak: float, severity: float | None = None) -> Result:
    """A valve on which nothing but the leak was measured, with a standard uncertainty of 0.2."""
    parts = (("background leak of the bench", 0.19), ("volume of the reservoir", 0.06))
    found = Characteristic("hold_leak_sccm", leak, 0.2, "sccm", how="", parts=parts)
    judged = decide(
        [found],
        [LEAK],
        guard_band="0.83 U",
        normally="closed",
        evidence=Evidence(moved_fraction=1.0, clicks=10),
        reason="core",
    )
    return Result(Entry(index, "alder-24", condition, severity, 40 + index), "finished", judged, 50.0 + index)


LOST = Result(Entry(4, "alder-24", "good", None, 44), "worker lost", said="its process died (by SIGKILL)")
RESULTS = [
    valve(3, "seat-leak", 4.95, 0.01),
    valve(0, "good", 0.2),
    LOST,
    valve(1, "seat-leak", 63.0, 0.9),
    valve(2, "seat-leak", 4.3, 0.1),
    valve(5, "restricted", 63.0, 0.5),
    valve(6, "good", 6.0),
]


@pytest.mark.parametrize(("count", "of"), [(0, 10), (3, 10), (10, 10), (1, 500), (499, 500)])
def test_limits_are_those_of_clopper_and_pearson(count, of):
    expected = binomtest(count, of).proportion_ci(confidence_level=0.95, method="exact")
    assert Rate(count, of).limits == pytest.approx((expected.low, expected.high), abs=1e-12)


@pytest.mark.parametrize(("n", "share"), [(50, 0.5), (400, 0.95), (1000, 0.5)])
def test_the_limits_of_a_quantile_are_the_order_statistics_that_the_binomial_picks(n, share):
    found = quantile([float(value) for value in range(1, n + 1)], share)
    assert found is not None
    low, high = found.low, found.high
    assert low is not None
    assert high is not None
    assert binom.cdf(low - 1, n, share) <= 0.025 < binom.cdf(low, n, share)
    assert binom.cdf(high - 1, n, share) >= 0.975 > binom.cdf(high - 2, n, share)


def test_too_few_runs_give_no_limits_to_a_quantile():
    found = quantile([1.0, 2.0, 3.0], 0.95)
    assert found is not None
    assert (found.low, found.high) == (None, None) or found.high is None


def test_every_valve_is_counted_somewhere_whatever_became_of_it():
    tally = Tally.of(RESULTS, 7)
    assert tally.table() == {
        "good": {"accept": 1, "reject": 1, "undecided": 0, "worker lost": 1},
        "seat-leak": {"accept": 1, "reject": 1, "undecided": 1, "worker lost": 0},
        "restricted": {"accept": 0, "reject": 1, "undecided": 0, "worker lost": 0},
    }
    rates = tally.rates()
    assert (rates["false_accepts"].count, rates["false_accepts"].of) == (1, 4)
    assert (rates["false_rejects"].count, rates["false_rejects"].of) == (1, 3)
    assert (rates["cause_right"].count, rates["cause_right"].of) == (1, 2)
    assert tally.by_grade()["barely"]["false_accepts"].count == 1
    assert [kind_of_miss(each) for each in tally.misses()] == [
        "false accept",
        "false reject",
        "worker lost",
        "other cause",
        "undecided",
    ]


def test_what_would_have_caught_a_miss_is_said_in_units_of_the_uncertainty():
    by_index = {each.entry.index: each for each in RESULTS}
    accepted = remedy(by_index[2], "0.83 U")
    assert "3.5 u inside" in accepted
    assert "A guard band of over 3.5 u" in accepted
    undecided = remedy(by_index[3], "0.83 U")
    assert "u below 0.03 would decide it" in undecided
    assert "Most of it is background leak of the bench (0.19): that alone would not do." in undecided
    assert "5.0 u outside" in remedy(by_index[6], "0.83 U")
    assert "Named seat leak" in remedy(by_index[5], "0.83 U")
    assert "SIGKILL" in remedy(LOST, "0.83 U")


def test_a_miss_comes_with_the_command_that_runs_it_again():
    assert again(RESULTS[0]) == (
        "benchrig qualify --simulated seat-leak --model alder-24 --tag R-3 --seed 43 --severity 0.01 --as-stated"
    )


def test_a_rehearsal_that_was_stopped_says_so_and_counts_what_there_is():
    said = rehearsal_document(Tally.of(RESULTS[:2], 7), SETTING, workers=1, wall_seconds=1.0)
    assert (said["valves"], said["asked"], said["complete"]) == (2, 7, False)


def test_a_rehearsal_stopped_before_the_first_valve_is_still_a_document():
    said = rehearsal_document(Tally.of([], 7), SETTING, workers=1, wall_seconds=0.1)
    assert (said["valves"], said["bench_seconds_median"], said["rates"]["undecided"]["rate"]) == (0, None, None)


def wet_valve(index: int, leak: float, probability: float, condition: str = "wet") -> Result:
    judged = decide(
        [Characteristic("hold_leak_sccm", leak, 0.2, "sccm", how="")],
        [LEAK],
        guard_band="0.83 U",
        normally="closed",
        evidence=Evidence(vapour=Vapour(probability, 2.0, 20.0)),
        reason="core",
    )
    return Result(Entry(index, "alder-24", condition, 0.5, 40 + index), "finished", judged, 50.0)


def test_a_wet_valve_is_to_be_seen_as_wet_and_counts_as_neither_good_nor_defective():
    results = [wet_valve(0, 0.2, 0.99), wet_valve(1, 0.2, 0.01), wet_valve(2, 30.0, 0.01), *RESULTS[-1:]]
    assert [kind_of_miss(each) for each in results] == ["", "wet not seen", "false reject", "false reject"]
    tally = Tally.of(results, 4)
    rates = tally.rates()
    assert (rates["wet_named"].count, rates["wet_rejected"].count, rates["wet_named"].of) == (1, 1, 3)
    assert (rates["false_accepts"].of, rates["false_rejects"].of) == (0, 1)
    assert tally.rejected() == []


def test_a_wet_valve_that_leaks_may_be_aired_out_first_or_named_by_its_leak_and_is_never_accepted():
    results = [wet_valve(0, 4.0, 0.99, "wet-and-leaking"), wet_valve(1, 90.0, 0.99, "wet-and-leaking")]
    assert [each.verdict for each in results] == ["undecided", "reject"]
    assert [kind_of_miss(each) for each in results] == ["", ""]
    unseen = [wet_valve(0, 4.9, 0.01, "wet-and-leaking"), wet_valve(1, 0.2, 0.01, "wet-and-leaking")]
    assert [kind_of_miss(each) for each in unseen] == ["undecided", "false accept"]


def near(index: int, of_limit: float, leak: float) -> Result:
    result = valve(index, "seat-leak", leak)
    entry = Entry(index, "alder-24", "seat-leak", None, 40 + index, 5 * of_limit, of_limit, of_limit <= 1)
    return replace(result, entry=entry)


def test_near_a_limit_the_true_value_says_which_verdict_is_wrong():
    results = [near(0, 0.81, 4.0), near(1, 0.84, 5.6), near(2, 1.04, 4.2), near(3, 1.21, 6.1), near(4, 1.0, 4.95)]
    assert [kind_of_miss(each) for each in results] == ["", "false reject", "false accept", "", "undecided"]
    tally = Tally.of(results, 5)
    rates = tally.rates()
    assert (rates["false_accepts"].count, rates["false_accepts"].of) == (1, 2)
    assert (rates["false_rejects"].count, rates["false_rejects"].of) == (1, 3)
    counts = tally.near_limits()["seat-leak"]
    assert counts["0.80 to 0.85"] == {"accept": 1, "reject": 1, "undecided": 0}
    assert counts["1.00 to 1.05"] == {"accept": 1, "reject": 0, "undecided": 1}
    assert list(counts) == ["0.80 to 0.85", "1.00 to 1.05", "1.20 to 1.25"]
    assert Tally.of(RESULTS, 7).near_limits() == {}


def test_the_command_that_runs_a_valve_again_says_all_that_it_was_drawn_by():
    told = again(replace(near(4, 1.0, 4.95), entry=replace(near(4, 1.0, 4.95).entry, faults=("drifting-room@0",))))
    assert told.endswith("--seed 44 --value 5 --fault drifting-room@0 --as-stated")
    assert "--as-stated" not in again(RESULTS[0], as_stated=False)
