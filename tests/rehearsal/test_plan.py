"""Which valves come, and what a mix file may hold."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import pytest

from benchrig.bench.calibrations import constant_in
from benchrig.bench.constants import CONSTANTS
from benchrig.bench.file import BenchFile, LoadedBenchFile
from benchrig.bench.opening import open_registered
from benchrig.errors import ConfigError
from benchrig.rehearsal.perturbed_bench import bench_as_stated
from benchrig.rehearsal.plan import NEAR_LIMITS, draw_entry, draw_near_limit
from benchrig.rehearsal.valve_mix import GOOD, default_mix, parse_mix
from benchrig.verdict.judgement import Limit
from simulators.bench_faults import FAULT_KINDS
from simulators.world import CONDITIONS, MODELS, SET_BY_VALUE, draw_valve


def test_what_a_rehearsal_names_is_what_the_simulated_bench_makes():
    mix = default_mix()
    assert set(mix.models) <= set(MODELS)
    assert set(mix.conditions) <= set(CONDITIONS)
    assert set(mix.circumstances) - {"sound"} <= set(FAULT_KINDS)
    assert set(NEAR_LIMITS) <= set(SET_BY_VALUE)
    assert draw_valve("alder-24", GOOD, 1, severity=0.0) == draw_valve("alder-24", GOOD, 1, severity=1.0)


def test_a_valve_is_the_same_whatever_else_is_drawn_and_its_neighbour_is_another():
    mix = default_mix()
    forward = [draw_entry(mix, 7, index) for index in range(50)]
    assert [draw_entry(mix, 7, index) for index in reversed(range(50))] == forward[::-1]
    assert len({each.seed for each in forward}) == 50
    assert draw_entry(mix, 8, 0) != forward[0]


def test_the_default_mix_is_about_half_good_and_spreads_the_severities():
    entries = [draw_entry(default_mix(), 1, index) for index in range(4000)]
    conditions = Counter(each.condition for each in entries)
    share = {"good": 7, "wet": 0.5, "wet-and-leaking": 0.5}
    for name, count in conditions.items():
        part = share.get(name, 1) / 15
        assert count == pytest.approx(4000 * part, abs=4 * (4000 * part * (1 - part)) ** 0.5), name
    assert len(conditions) == 10
    severities = [each.severity for each in entries if each.severity is not None]
    assert (min(severities), max(severities)) == (pytest.approx(0.0, abs=0.01), pytest.approx(1.0, abs=0.01))
    assert all(each.severity is None for each in entries if each.condition == "good")


def test_every_mistake_of_a_mix_file_is_told_at_once():
    text = """
    models = { alder-24 = -1 }
    [conditions]
    good = { share = 1, severity = [0.0, 1.0], often = 3 }
    seat-leak = { share = 1, severity = [0.9, 0.1] }
    sluggish = { }
    """
    with pytest.raises(ConfigError) as caught:
        parse_mix(text, where="here")
    said = str(caught.value)
    assert "[models] alder-24" in said
    assert "[conditions] good often: not a name that benchrig knows" in said
    assert "[conditions] seat-leak: severity runs from 0.9 down to 0.1" in said
    assert "[conditions] sluggish share: missing" in said


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("models = { a = 0 }\nconditions = { good = { share = 1 } }", "shares of the models are all 0"),
        ("models = { a = 1 }\nconditions = { good = { share = 0 } }", "shares of the conditions are all 0"),
        ("models = { a = 1 }\nconditions = { good = { share = 1, severity = [0.0, 0.5] } }", "has no severity"),
        ("models = 3", "[models]"),
        ("models = [", "not valid TOML"),
    ],
)
def test_a_mix_that_draws_nothing_is_refused(text, said):
    with pytest.raises(ConfigError) as caught:
        parse_mix(text, where="here")
    assert said in str(caught.value)


@pytest.fixture(scope="module")
def simulated() -> LoadedBenchFile:
    options = {"model": "alder-24", "condition": "good", "seed": 1, "faults": []}
    with open_registered("simulated", options) as bench:
        return bench.loaded


def changed(simulated: LoadedBenchFile, **tables: dict[str, object]) -> BenchFile:
    data = simulated.file.model_dump()
    for name, update in tables.items():
        data[name] = {**data[name], **update}
    return BenchFile.model_validate(data)


def test_the_bench_s_own_file_given_back_changes_nothing(simulated):
    assert bench_as_stated(simulated.file, simulated, 3).file == simulated.file


def test_a_bench_known_worse_is_off_by_as_much_as_its_file_states(simulated):
    wanted = changed(simulated, reservoir={"u_percent": 3.0}, transducer={"u_pa": 300.0}, sequence={"hold_s": 12.0})
    files = [bench_as_stated(wanted, simulated, seed).file for seed in range(400)]
    assert all(file.sequence.hold_s == 12.0 and file.reservoir.u_percent == 3.0 for file in files)
    own = simulated.file.reservoir.volume_l
    off = [file.reservoir.volume_l / own - 1 for file in files]
    rms = (sum(each**2 for each in off) / len(off)) ** 0.5
    assert rms == pytest.approx((0.03**2 - 0.005**2) ** 0.5, rel=0.15)
    assert {file.shunt.volts_per_amp for file in files} == {simulated.file.shunt.volts_per_amp}


@pytest.mark.parametrize("constant", CONSTANTS, ids=lambda each: each.name)
def test_whatever_constant_can_be_calibrated_is_put_off_as_far_as_the_file_says_it_may_be(simulated, constant):
    own = constant_in(simulated.file, constant)
    u_key = getattr(getattr(simulated.file, constant.table), constant.u_key)
    wanted = changed(simulated, **{constant.table: {constant.u_key: 2 * u_key}})
    files = [bench_as_stated(wanted, simulated, seed).file for seed in range(400)]
    off = [constant_in(file, constant).value - own.value for file in files if constant_in(file, constant).value > 0]
    assert all(getattr(getattr(file, constant.table), constant.u_key) == 2 * u_key for file in files)
    if constant.least in (-math.inf, 1e-9, 0.01, 0.5):  # the others are cut at nothing, which narrows the scatter
        rms = (sum(each**2 for each in off) / len(off)) ** 0.5
        assert rms == pytest.approx(3**0.5 * own.u, rel=0.15)
    assert len(set(off)) > 150


# --- circumstances, and valves near their limits ----------------------------------------------------------------------

LIMITS = {
    "alder-24": (
        Limit("hold_leak_sccm", None, 5.0, ""),
        Limit("flow_at_rated_vacuum_lpm_anr", 18.0, None, ""),
        Limit("pull_in_time_ms", None, 18.0, ""),
    )
}
NEAR_MIX = "models = { alder-24 = 1 }\nconditions = { good = { share = 1 } }"


def test_the_bench_may_have_something_the_matter_from_the_start_as_often_as_the_mix_says():
    mix = parse_mix(NEAR_MIX + "\ncircumstances = { sound = 3, drifting-room = 1 }", where="here")
    faults = Counter(draw_entry(mix, 1, index).faults for index in range(2000))
    assert set(faults) == {(), ("drifting-room@0",)}
    assert faults["drifting-room@0",] == pytest.approx(500, abs=80)
    plain = parse_mix(NEAR_MIX, where="here")
    assert [replace(draw_entry(mix, 1, n), faults=()) for n in range(20)] == [
        draw_entry(plain, 1, n) for n in range(20)
    ]
    with pytest.raises(ConfigError, match="shares of the circumstances are all 0"):
        parse_mix(NEAR_MIX + "\ncircumstances = { sound = 0 }", where="here")


def test_valves_near_their_limits_lie_on_both_sides_and_know_on_which():
    entries = [draw_near_limit(parse_mix(NEAR_MIX, where="here"), LIMITS, 7, index) for index in range(600)]
    assert {each.condition for each in entries} == {"seat-leak", "restricted"}
    for each in entries:
        limit = 5.0 if each.condition == "seat-leak" else 18.0
        assert 0.7 <= each.of_limit <= 1.3
        assert each.value == pytest.approx(each.of_limit * limit)
        assert each.conforms == (each.value <= limit if each.condition == "seat-leak" else each.value >= limit)
    assert 200 < sum(each.conforms for each in entries) < 400
    assert len({each.seed for each in entries}) == 600


def test_a_model_without_limits_on_leak_and_flow_has_nothing_near_them():
    limits = {"alder-24": LIMITS["alder-24"][2:]}
    with pytest.raises(ConfigError, match="neither leak nor flow"):
        draw_near_limit(parse_mix(NEAR_MIX, where="here"), limits, 7, 0)
