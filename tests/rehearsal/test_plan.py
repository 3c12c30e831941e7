"""Which valves come, and what a mix file may hold."""

from __future__ import annotations

from collections import Counter

import pytest

from benchrig.bench.file import BenchFile, LoadedBenchFile
from benchrig.bench.opening import open_registered
from benchrig.errors import ConfigError
from benchrig.rehearsal.borrowed import bench_as_stated
from benchrig.rehearsal.mix import default_mix, parse_mix
from benchrig.rehearsal.plan import draw_entry


def test_a_valve_is_the_same_whatever_else_is_drawn_and_its_neighbour_is_another():
    mix = default_mix()
    forward = [draw_entry(mix, 7, index) for index in range(50)]
    assert [draw_entry(mix, 7, index) for index in reversed(range(50))] == forward[::-1]
    assert len({each.seed for each in forward}) == 50
    assert draw_entry(mix, 8, 0) != forward[0]


def test_the_default_mix_is_half_good_and_spreads_the_severities():
    entries = [draw_entry(default_mix(), 1, index) for index in range(4000)]
    conditions = Counter(each.condition for each in entries)
    assert conditions["good"] == pytest.approx(2000, abs=130)  # four standard deviations
    assert all(conditions[name] == pytest.approx(2000 / 7, abs=66) for name in conditions if name != "good")
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
