"""The published example, an independent analysis of variance, and made-up studies with a known truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from benchrig.analysis.studies.gauge_ranges import range_study
from benchrig.analysis.studies.gauge_study import fitness, gauge_study
from benchrig.analysis.studies.gauge_table import Measured, NotAStudy, StudyTable, study_table
from benchrig.analysis.studies.range_constants import d2, d2_star, d3, upper_range_factor
from tests.analysis.aiag_study import ROWS

AIAG = study_table(ROWS)


def made_up(seed: int, *, parts: int, operators: int, trials: int, sd: tuple[float, float, float, float]) -> StudyTable:
    """A study with known standard deviations of part, operator, interaction and repeat."""
    draw = np.random.default_rng(seed)
    values = (
        sd[0] * draw.standard_normal((parts, 1, 1))
        + sd[1] * draw.standard_normal((1, operators, 1))
        + sd[2] * draw.standard_normal((parts, operators, 1))
        + sd[3] * draw.standard_normal((parts, operators, trials))
    )
    names = [tuple(f"{kind}{k}" for k in range(count)) for kind, count in (("p", parts), ("o", operators))]
    return StudyTable(values, names[0], names[1])


# Source of the figures: AIAG MSA 4th ed., table III-B 7 and figure III-B 16, to the digits that it prints.


def test_the_published_table_of_variance_is_reproduced():
    lines = {line.source: line for line in gauge_study(AIAG).anova}
    assert [(round(lines[name].ss, 4), lines[name].df) for name in ("part", "operator", "part x operator")] == [
        (88.3619, 9),
        (3.1673, 2),
        (0.3590, 18),
    ]
    assert (round(lines["repeatability"].ss, 4), lines["repeatability"].df) == (2.7589, 60)
    assert (round(lines["total"].ss, 4), lines["total"].df) == (94.6471, 89)
    assert (round(lines["pooled error"].ss, 4), lines["pooled error"].df) == (3.1179, 78)
    mean_squares = [
        round(lines[name].ms, 5) for name in ("part", "operator", "part x operator", "repeatability", "pooled error")
    ]
    assert mean_squares == [9.81799, 1.58363, 0.01994, 0.04598, 0.03997]
    assert (round(lines["part x operator"].f, 3), round(lines["part x operator"].p, 3)) == (0.434, 0.974)


def test_the_published_components_are_reproduced_with_the_interaction_pooled():
    study = gauge_study(AIAG)
    assert study.pooled
    names = ("GRR", "EV", "AV", "PV", "TV")
    assert [round(study.components[name].variance, 5) for name in names] == [
        0.09143,
        0.03997,
        0.05146,
        1.08645,
        1.17788,
    ]
    assert [round(study.components[name].contribution_percent, 2) for name in names] == [7.76, 3.39, 4.37, 92.24, 100]
    assert [round(study.components[name].study_percent, 2) for name in names] == [27.86, 18.42, 20.90, 96.04, 100]
    assert (study.ndc, study.fitness) == (4, "marginal")


def test_keeping_the_interaction_gives_the_published_tests():
    study = gauge_study(AIAG, alpha=1.0)
    lines = {line.source: line for line in study.anova}
    assert not study.pooled
    assert (round(lines["part"].f, 3), round(lines["operator"].f, 3)) == (492.291, 79.406)
    assert round(study.components["GRR"].study_percent, 2) == 28.75
    grr, pv = study.components["GRR"].sd, study.components["PV"].sd
    assert round(1.41 * pv / grr, 2) == 4.70


def test_the_published_average_and_range_figures_are_reproduced():
    study = range_study(AIAG)
    assert [round(each, 3) for each in study.mean_ranges] == [0.184, 0.513, 0.328]
    assert (round(study.mean_range, 4), round(study.part_range, 4)) == (0.3417, 3.5111)
    assert round(study.range_limit, 3) == 0.880
    # The book works with rounded figures on the way; so rounded, all its digits come out.
    ev = round(study.mean_range, 4) * round(1 / d2(3), 4)
    assert round(ev, 5) == 0.20188
    assert study.operator_range == pytest.approx(0.4446, abs=1e-4)
    av = np.sqrt((0.4446 * round(1 / d2_star(3), 4)) ** 2 - ev**2 / 30)
    assert round(av, 5) == 0.22963
    pv = round(study.part_range, 3) * round(1 / d2_star(10), 4)
    assert [round(np.hypot(ev, av), 5), round(pv, 5), round(np.sqrt(ev**2 + av**2 + pv**2), 5)] == [
        0.30575,
        1.10456,
        1.14610,
    ]
    # Unrounded, as the program works, the fourth digit of the parts differs by one.
    mine = [study.ev, study.av, study.grr, study.pv, study.tv]
    assert mine == pytest.approx([0.20188, 0.22963, 0.30575, 1.10456, 1.14610], abs=1.2e-4)
    percentages = [study.ev_percent, study.av_percent, study.grr_percent, study.pv_percent]
    assert percentages == pytest.approx([17.62, 20.04, 26.68, 96.38], abs=0.006)
    assert study.ndc == 5
    assert [(part, operator, round(spread, 2)) for part, operator, spread in study.beyond] == [("4", "B", 1.02)]


def test_the_constants_are_those_of_the_published_tables():
    # AIAG appendix C, and the e-Handbook's table; d3 from memory.
    printed = {2: 1.128379, 3: 1.692569, 4: 2.058751, 5: 2.325929, 10: 3.077505}
    assert {n: round(d2(n), 6) for n in printed} == printed
    assert d3(2) == pytest.approx(0.852502, abs=2e-5)
    assert [round(1 / each, 4) for each in (d2(3), d2_star(3), d2_star(10))] == [0.5908, 0.5231, 0.3146]
    assert upper_range_factor(2) == pytest.approx(3.2665, abs=1e-4)
    assert upper_range_factor(3) == pytest.approx(2.574, abs=1e-3)
    with pytest.raises(ValueError, match="samples of 2 to 200, not of 1"):
        d2(1)


@pytest.mark.parametrize("shape", [(10, 3, 3), (6, 2, 4), (5, 4, 2)])
def test_the_table_of_variance_agrees_with_an_independent_program(shape: tuple[int, int, int]):
    # statsmodels, ordinary least squares on dummy variables and sequential sums of squares.
    table = made_up(sum(shape), parts=shape[0], operators=shape[1], trials=shape[2], sd=(2.0, 0.5, 0.3, 0.4))
    index = np.indices(shape).reshape(3, -1)
    frame = pd.DataFrame({"value": table.values.ravel(), "part": index[0], "operator": index[1]})
    wanted = anova_lm(ols("value ~ C(part) * C(operator)", frame).fit())
    lines = {line.source: line for line in gauge_study(table, alpha=1.0).anova}
    for mine, theirs in (
        ("part", "C(part)"),
        ("operator", "C(operator)"),
        ("part x operator", "C(part):C(operator)"),
        ("repeatability", "Residual"),
    ):
        assert lines[mine].ss == pytest.approx(wanted.loc[theirs, "sum_sq"], rel=1e-9)
        assert lines[mine].df == wanted.loc[theirs, "df"]
    # The fixed-effects test of the interaction is that of the random model too.
    assert lines["part x operator"].f == pytest.approx(wanted.loc["C(part):C(operator)", "F"], rel=1e-9)
    assert lines["part x operator"].p == pytest.approx(wanted.loc["C(part):C(operator)", "PR(>F)"], rel=1e-7)


def test_with_one_operator_the_study_is_parts_by_trials():
    table = made_up(5, parts=8, operators=1, trials=3, sd=(1.0, 0.0, 0.0, 0.1))
    study = gauge_study(table)
    assert [line.source for line in study.anova] == ["part", "repeatability", "total"]
    assert study.components["AV"].sd == 0
    assert study.components["GRR"].sd == study.components["EV"].sd
    within = table.values[:, 0, :].var(axis=1, ddof=1).mean()
    assert study.components["EV"].variance == pytest.approx(within)
    assert range_study(table).av == 0
    assert any("one operator" in note for note in study.notes)


def test_scale_and_shift_of_the_values_do_not_change_the_percentages():
    moved = StudyTable(AIAG.values * 1000.0 + 7.0, AIAG.parts, AIAG.operators)
    plain, scaled = gauge_study(AIAG), gauge_study(moved)
    for name, component in plain.components.items():
        assert scaled.components[name].study_percent == pytest.approx(component.study_percent, abs=1e-6)
        assert scaled.components[name].sd == pytest.approx(1000 * component.sd, rel=1e-6)
    assert scaled.grr_low_percent == pytest.approx(plain.grr_low_percent, rel=1e-6)


def test_a_negative_component_is_put_to_zero_and_said():
    flat = StudyTable(np.array([[[1.0, 2.0]], [[2.0, 1.0]], [[1.5, 1.5]]]), ("1", "2", "3"), ("A",))
    study = gauge_study(flat)
    assert study.components["PV"].sd == 0
    assert study.components["GRR"].study_percent == 100
    assert (study.ndc, study.fitness) == (0, "not fit")
    assert any("cannot be told apart" in note for note in study.notes)


def test_repeats_that_never_differ_leave_no_end_of_categories_and_a_note():
    same = StudyTable(np.array([[[1.0, 1.0]], [[2.0, 2.0]]]), ("1", "2"), ("A",))
    study = gauge_study(same)
    assert (study.ndc, study.components["GRR"].study_percent) == (None, 0.0)
    assert any("rounded too coarsely" in note for note in study.notes)


def test_the_tolerance_is_put_against_six_standard_deviations():
    study = gauge_study(AIAG, tolerance=4.0)
    assert study.tolerance_percent == pytest.approx(100 * 6 * study.components["GRR"].sd / 4.0)


@pytest.mark.parametrize(
    ("percent", "ndc", "said"),
    [(9.99, 5, "good"), (9.99, 4, "marginal"), (10.0, 20, "marginal"), (30.0, 4, "marginal"), (30.01, 9, "not fit")],
)
def test_the_bands_are_the_trades_own(percent: float, ndc: int, said: str):
    assert fitness(percent, ndc) == said


def test_the_limits_of_confidence_cover_the_truth_about_as_often_as_they_say():
    truth = (1.0, 0.15, 0.1, 0.2)
    grr = np.sqrt(0.15**2 + 0.1**2 + 0.2**2)
    share = 100 * grr / np.sqrt(1.0 + grr**2)
    inside = {"EV": 0, "PV": 0, "share": 0}
    studies = 120
    for seed in range(studies):
        study = gauge_study(made_up(seed, parts=10, operators=3, trials=3, sd=truth), alpha=1.0)
        inside["EV"] += study.components["EV"].sd_low <= 0.2 <= study.components["EV"].sd_high
        inside["PV"] += study.components["PV"].sd_low <= 1.0 <= study.components["PV"].sd_high
        inside["share"] += study.grr_low_percent <= share <= study.grr_high_percent
    # 95 % of 120 is 114; four standard deviations are 10.
    assert all(count >= 104 for count in inside.values()), inside


def test_missing_cells_are_named():
    rows = [row for row in ROWS if (row.part, row.operator, row.trial) not in {("4", "B", 2), ("9", "C", 3)}]
    with pytest.raises(
        NotAStudy,
        match=r"2 of 90 measurements are missing: part 4, operator B, trial 2; part 9, operator C, trial 3\.",
    ):
        study_table(rows)


def test_many_missing_cells_are_counted_and_the_first_named():
    with pytest.raises(NotAStudy, match=r"missing: part 3, operator C, trial 1; .* and 19 more"):
        study_table([row for row in ROWS if row.operator != "C" or row.part in "12"])


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([*ROWS, ROWS[0]], "part 1, operator A, trial 1 is there twice: 0.29 and 0.29"),
        ([*ROWS[:-1], Measured("10", "C", 3, float("nan"))], "part 10, operator C, trial 3: nan is not a number"),
        ([*ROWS[:-1], Measured("10", "C", 3, float("inf"))], "inf is not a number"),
        ([row for row in ROWS if row.part == "1"], "At least 2 parts are needed .* there is 1"),
        ([row for row in ROWS if row.trial == 2], "At least 2 trials .* there is 1"),
        ([Measured(row.part, row.operator, row.trial, 4.0) for row in ROWS], "All 90 values are 4: no variation"),
        ([], "At least 2 parts"),
    ],
)
def test_what_is_no_study_is_refused_with_the_reason(rows: list[Measured], said: str):
    with pytest.raises(NotAStudy, match=said):
        study_table(rows)


@pytest.mark.parametrize(("option", "value"), [("alpha", 1.5), ("confidence", 1.0), ("tolerance", 0.0)])
def test_options_out_of_range_are_refused(option: str, value: float):
    with pytest.raises(ValueError, match=option):
        gauge_study(AIAG, **{option: value})
