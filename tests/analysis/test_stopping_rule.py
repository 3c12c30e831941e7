"""The stopping rule of a hold: what may stop it, on which side, and how often chance may."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from benchrig.analysis.leak.hold_result import HoldResult
from benchrig.analysis.leak.hold_vacuum import analyse_hold, fit_hold, leak_setting
from benchrig.analysis.leak.quick_estimate import quick_estimate
from benchrig.analysis.leak.stopping_rule import (
    EARLY_PART,
    FIRST_LOOK_S,
    SPENT_PART,
    SpentRisk,
    StoppingRule,
    looks_s,
)


def seen(leak: float | None, u: float | None = 0.1, explanation: str = "leak", bound: str = "") -> HoldResult:
    return HoldResult(hold_leak_sccm=leak, hold_leak_sccm_u=u, explanation=explanation, bound=bound)  # type: ignore[arg-type]


def asked(rule: StoppingRule, at_s: float, found: HoldResult, suspected: HoldResult | None = None):
    return rule.look(at_s, lambda *, suspicious: suspected if suspicious and suspected is not None else found)


def rule(limit: float | None = 5.0, risk: float = 0.005, longest_s: float = 30.0) -> StoppingRule:
    return StoppingRule(limit, risk, risk, longest_s)


def test_nothing_is_looked_at_before_the_first_look_and_between_two_looks():
    calls = []

    def analyse(*, suspicious: bool) -> HoldResult:
        calls.append(suspicious)
        return seen(None, None)

    one = rule()
    for at_s in (0.5, 1.4, FIRST_LOOK_S, 1.6, 1.7, 1.72, 1.8):
        one.look(at_s, analyse)
    assert calls == [False, False]


def test_a_leak_well_within_its_limit_ends_the_hold_at_once():
    stopped = asked(rule(), 2.0, seen(0.4))
    assert (stopped.side, stopped.after_s) == ("within", 2.0)


def test_a_leak_that_shows_but_is_allowed_is_held_on_since_vapour_begins_like_it():
    assert asked(rule(), 2.0, seen(2.3, 0.3)) is None
    assert asked(rule(), 2.0, seen(0.8, 0.3)).side == "within"


@pytest.mark.parametrize("explanation", ["wet", "undecided", "changing", "drift"])
def test_no_hold_ends_as_tight_while_something_else_may_be_the_matter(explanation):
    assert asked(rule(), 2.0, seen(0.4, explanation=explanation)) is None


def test_a_leak_beyond_its_limit_must_be_so_at_two_looks():
    one = rule()
    assert asked(one, 3.0, seen(9.0)) is None
    assert asked(one, 3.4, seen(9.0)).side == "beyond"
    other = rule()
    assert asked(other, 3.0, seen(9.0)) is None
    assert asked(other, 3.4, seen(5.1)) is None
    assert asked(other, 3.9, seen(9.0)) is None


def test_no_hold_ends_for_a_leak_before_fast_vapour_would_have_bent():
    early = rule()
    assert [asked(early, at_s, seen(90.0)) for at_s in (1.5, 1.8, 2.0, 2.3, 2.9)] == 5 * [None]
    assert asked(early, 3.4, seen(90.0)) is None
    assert asked(early, 3.9, seen(90.0)).side == "beyond"


def test_a_leak_that_may_be_vapour_where_vapour_is_suspected_does_not_end_the_hold():
    one = rule()
    for at_s in (3.0, 3.4, 3.9, 4.4):
        assert asked(one, at_s, seen(9.0), suspected=seen(6.0, 3.0, "undecided")) is None


def test_a_gross_leak_that_is_only_bounded_ends_the_hold_beyond_its_limit():
    one = rule()
    asked(one, 2.0, seen(900.0, None, bound="above"))
    assert asked(one, 2.3, seen(900.0, None, bound="above")).side == "beyond"
    near = rule()
    asked(near, 2.0, seen(4.0, None, bound="above"))
    assert asked(near, 2.3, seen(4.0, None, bound="above")) is None


def test_where_the_whole_analysis_is_far_less_sure_than_the_least_possible_the_next_looks_wait():
    """At 2 s the estimate's least is 1 sccm but the analysis says 8: it is not asked again at once, but it is later."""
    calls = []

    def analyse(*, suspicious: bool) -> HoldResult:
        calls.append(suspicious)
        return seen(1.0, 8.0)

    one = rule()
    for at_s in looks_s(30.0)[2:7]:
        one.look(at_s, analyse, lambda: (1.0, 1.0))
    assert len(calls) == 1
    for at_s in looks_s(30.0)[7:12]:
        one.look(at_s, analyse, lambda: (1.0, 0.6))
    assert len(calls) > 1


def test_without_a_limit_nothing_ends_a_hold():
    assert asked(rule(None), 10.0, seen(0.0)) is None


def test_what_was_not_measured_ends_nothing():
    assert asked(rule(), 10.0, seen(None, None)) is None


@pytest.mark.parametrize("risk", [0.05, 0.005])
@pytest.mark.parametrize("part", [SPENT_PART, EARLY_PART])
def test_what_all_looks_together_spend_is_no_more_than_the_risk(risk, part):
    """Bonferroni: the tails beyond all bands add up; scipy's, not ours."""
    spent = SpentRisk(risk)
    bands = [spent.spend(part) for _ in range(200)]
    assert norm.sf(bands[0]) == pytest.approx(part * risk)
    assert np.sum(norm.sf(bands)) == pytest.approx(risk * (1 - (1 - part) ** 200), rel=1e-6)
    assert np.all(np.diff(bands) > 0)


def test_looks_at_which_no_tight_valve_could_be_told_from_the_limit_spend_little():
    early, late = rule(), rule()
    for at_s in looks_s(30.0)[:3]:
        early.look(at_s, lambda *, suspicious: seen(None, None), lambda: (0.0, 5.0))
        late.look(at_s, lambda *, suspicious: seen(None, None), lambda: (0.0, 1.0))
    bands = [one.look(3.0, lambda *, suspicious: seen(0.1, 0.2), lambda: (0.1, 0.2)).band for one in (early, late)]
    assert bands[0] < bands[1] - 0.1


@pytest.mark.parametrize(("true", "side"), [(7.5, "within"), (2.5, "beyond")])
def test_chance_stops_no_more_holds_on_the_wrong_side_than_was_allowed(true, side):
    """Each look has an error of its own, three times less than the one before: 20,000 draws, risk 1 %."""
    rng = np.random.default_rng(7)
    wrong, draws, risk = 0, 20_000, 0.01
    at_s = looks_s(30.0)
    sd = 8.0 * 0.7 ** np.arange(len(at_s))
    for errors in rng.standard_normal((draws, len(at_s))):
        one = rule(risk=risk)
        for look_s, u, error in zip(at_s, sd, errors, strict=True):
            stopped = asked(one, look_s, seen(true + u * error, u))
            if stopped is not None:
                wrong += stopped.side == side
                break
    assert wrong / draws <= risk


def test_the_looks_begin_late_enough_grow_further_apart_and_leave_the_end_alone():
    at_s = looks_s(30.0)
    assert at_s[0] == FIRST_LOOK_S
    assert np.all(np.diff(np.diff(at_s)) > -0.011)
    assert at_s[-1] < 27.0
    assert looks_s(1.6) == ()


def test_a_look_that_no_analysis_could_end_the_hold_with_is_not_analysed():
    """At the limit, or far too unsure: nobody asks the whole analysis; a bound, or one that may settle it, does."""
    calls = []

    def analyse(*, suspicious: bool) -> HoldResult:
        calls.append(suspicious)
        return seen(None, None)

    for leak, u in ((0.0, 8.0), (5.0, 0.5), (5.3, 0.4)):
        rule().look(2.0, analyse, lambda leak=leak, u=u: (leak, u))
        assert not calls, (leak, u)
    for estimate in ((0.0, 1.5), (9.0, 0.5), (2.5, 0.9), None):
        calls.clear()
        rule().look(2.0, analyse, lambda estimate=estimate: estimate)
        assert calls, estimate


def test_a_quick_estimate_is_no_surer_than_the_whole_analysis_and_agrees_with_it():
    rng = np.random.default_rng(11)
    t = np.arange(0.0, 6.0, 0.005)
    for sccm in (0.0, 2.0, 6.0):
        p = 41_000 - 1_950 * np.exp(-t / 2.3) + 3.65 * sccm * t + 12.0 * rng.standard_normal(len(t))
        known = {
            "volume_m3": 5e-4, "volume_u_m3": 0.0, "ambient_pa": 101_325.0, "ambient_k": 295.0,
            "thermal_time_constant_s": 2.3, "thermal_time_constant_u_s": 0.5,
        }  # fmt: skip
        leak, u = quick_estimate(t, p, leak_setting(**known))
        whole = analyse_hold(t, p, **known)
        assert 0.5 * whole.hold_leak_sccm_u < u < 1.1 * whole.hold_leak_sccm_u
        assert leak == pytest.approx(whole.hold_leak_sccm, abs=u)


@pytest.mark.parametrize("kind", ["gross", "still", "short"])
def test_a_quick_estimate_says_nothing_of_what_is_no_straight_line(kind):
    t = np.arange(0.0, 0.1 if kind == "short" else 6.0, 0.005)
    p = {"gross": 101_325 - 60_000 * np.exp(-t), "still": np.full(len(t), 41_000.0), "short": 41_000.0 + t}[kind]
    known = leak_setting(volume_m3=5e-4, volume_u_m3=0.0, ambient_pa=101_325.0, ambient_k=295.0)
    found = quick_estimate(t, p, known)
    assert found is None or (kind == "still" and np.isfinite(found).all())


def test_a_fit_tells_the_same_whenever_it_is_asked_what_the_room_did():
    t = np.arange(0.0, 6.0, 0.005)
    p = 41_000 - 1_950 * np.exp(-t / 2.3) + 7.3 * t + 12.0 * np.random.default_rng(3).standard_normal(len(t))
    known = {"volume_m3": 5e-4, "volume_u_m3": 0.0, "ambient_pa": 101_325.0, "ambient_k": 295.0}
    fitted = fit_hold(t, p, leak_setting(**known))
    told = {"ambient_drift_k_s": 1e-3, "ambient_drift_u_k_s": 1e-4}
    drifting = analyse_hold(t, p, **known, **told)
    assert fitted.result(None, 1e-3, 1e-4).hold_leak_sccm == drifting.hold_leak_sccm
    assert fitted.result().hold_leak_sccm != drifting.hold_leak_sccm


def test_a_valve_that_is_called_wet_never_ends_its_hold_as_leaking():
    one = rule()
    for at_s in (3.0, 3.4, 3.9, 4.4):
        assert asked(one, at_s, seen(9.0, explanation="wet")) is None


def test_a_leak_without_an_uncertainty_that_is_no_bound_ends_nothing():
    one = rule()
    for at_s in (3.0, 3.4, 3.9):
        assert asked(one, at_s, seen(900.0, None)) is None


def test_each_side_has_the_band_of_its_own_risk():
    within = asked(StoppingRule(5.0, 0.001, 0.05, 30.0), 2.0, seen(0.1))
    assert within.band == pytest.approx(norm.isf(SPENT_PART * 0.001))
    one = StoppingRule(5.0, 0.001, 0.05, 30.0)
    asked(one, 3.0, seen(9.0))
    beyond = asked(one, 3.4, seen(9.0))
    assert beyond.band == pytest.approx(norm.isf(SPENT_PART * (1 - SPENT_PART) * 0.05))


@pytest.mark.parametrize("by", [-0.01, 0.01])
def test_a_leak_settles_the_matter_from_its_band_on(by):
    band = norm.isf(SPENT_PART * 0.005)
    u = 5.0 / (band + by + 0.5)
    assert (asked(rule(), 2.0, seen(0.5 * u, u)) is not None) is (by > 0)
    one, band = rule(), norm.isf(SPENT_PART * (1 - SPENT_PART) * 0.005)
    asked(one, 3.0, seen(9.0))
    assert (asked(one, 3.4, seen(5.0 + (band + by) * 0.3, 0.3)) is not None) is (by > 0)


def test_two_looks_beyond_the_limit_count_only_if_nothing_lay_between_them():
    one = rule()
    assert asked(one, 3.0, seen(9.0)) is None
    one.look(3.4, lambda *, suspicious: seen(9.0), lambda: (5.0, 0.5))
    assert asked(one, 3.9, seen(9.0)) is None
    assert asked(one, 4.4, seen(9.0)).side == "beyond"


def test_looks_that_are_overdue_are_made_up_for_by_one():
    one = rule()
    asked(one, 10.0, seen(None, None))
    assert asked(one, 10.05, seen(0.4)) is None
    assert asked(one, 11.0, seen(0.4)).side == "within"


def test_a_leak_that_shows_by_the_estimate_and_is_allowed_is_not_analysed_since_it_cannot_end_the_hold():
    calls = []

    def analyse(*, suspicious: bool) -> HoldResult:
        calls.append(suspicious)
        return seen(None, None)

    rule().look(2.0, analyse, lambda: (2.5, 0.2))
    assert not calls
    rule().look(2.0, analyse, lambda: (0.6, 0.2))
    assert calls


# --- where vapour can be looked for once the hold has ended -----------------------------------------------------------


def seeing(limit: float = 5.0) -> StoppingRule:
    return StoppingRule(limit, 0.005, 0.005, 30.0, vapour_is_seen=True)


def leaking(leak: float, u: float = 0.1, explanation: str = "leak") -> HoldResult:
    return replace(seen(leak, u, explanation), pressure_rate_pa_s=3.65 * leak)


def test_a_leak_that_shows_and_is_allowed_ends_the_hold_provided_that_it_is_no_vapour():
    stopped = asked(seeing(), 2.0, leaking(2.3, 0.3))
    assert (stopped.side, stopped.leak_pa_s) == ("within", pytest.approx(8.4, abs=0.1))


def test_a_valve_without_a_leak_to_speak_of_needs_no_look_for_vapour():
    assert asked(seeing(), 2.0, leaking(0.4)).leak_pa_s is None


def test_a_leak_beyond_its_limit_ends_the_hold_at_two_looks_provided_that_it_is_no_vapour():
    one = seeing()
    vapour = seen(6.0, 3.0, "undecided")
    assert asked(one, 3.0, leaking(9.0), suspected=vapour) is None
    stopped = asked(one, 3.4, leaking(9.0), suspected=vapour)
    assert (stopped.side, stopped.leak_pa_s) == ("beyond", pytest.approx(32.9, abs=0.1))


def test_what_stays_beyond_its_limit_where_vapour_is_suspected_is_looked_for_in_fresh_air_all_the_same():
    # the hold takes the vapour of some wet valves for a leak, and is sure of it
    one = seeing()
    asked(one, 3.0, leaking(9.0))
    assert asked(one, 3.4, leaking(9.0)).leak_pa_s == pytest.approx(32.9, abs=0.1)


def test_a_gross_leak_needs_no_look_for_vapour():
    one, gross = seeing(), replace(leaking(900.0), hold_leak_sccm_u=None, bound="above")
    asked(one, 1.6, gross)
    assert asked(one, 2.0, gross).leak_pa_s is None


@pytest.mark.parametrize(("part", "ends"), [(0.97, True), (1.03, False)])
def test_a_leak_near_its_limit_ends_the_hold_once_it_is_known_to_three_hundredths_of_it(part, ends):
    stopped = asked(seeing(), 9.0, leaking(5.05, part * 0.15))
    assert (stopped is not None) is ends
    if stopped is not None:
        assert (stopped.side, stopped.leak_pa_s) == ("near", pytest.approx(18.4, abs=0.1))
    assert asked(rule(), 9.0, leaking(5.05, part * 0.15)) is None


@pytest.mark.parametrize("explanation", ["wet", "undecided", "changing", "drift"])
def test_nothing_near_its_limit_ends_a_hold_while_something_else_may_be_the_matter(explanation):
    assert asked(seeing(), 9.0, leaking(5.05, 0.01, explanation)) is None


def test_a_leak_that_shows_by_the_estimate_is_analysed_where_it_can_end_the_hold():
    calls = []

    def analyse(*, suspicious: bool) -> HoldResult:
        calls.append(suspicious)
        return leaking(2.5, 0.2)

    assert seeing().look(2.0, analyse, lambda: (2.5, 0.2)).side == "within"
    assert calls == [False]
