"""How often a valve is accepted, against how far it is from its limit."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

from benchrig.application.paths import model_folders
from benchrig.catalogue import Catalogue
from benchrig.errors import ConfigError
from benchrig.rehearsal.one_valve import Result
from benchrig.rehearsal.operating_characteristic import operating_characteristics, write_picture
from benchrig.rehearsal.plan import COIL_FROM, NEAR, OVER_LIMITS, Entry, draw_over_limits
from benchrig.rehearsal.tally import Tally
from benchrig.rehearsal.valve_mix import default_mix
from benchrig.verdict.judgement import Judgement
from simulators.world import SET_BY_VALUE, draw_valve
from simulators.world.pull_in import pull_in_s

MIX = default_mix()
LIMITS = {name: Catalogue(model_folders()).get(name).limits for name in MIX.models}


def entries(count: int) -> list[Entry]:
    return [draw_over_limits(MIX, LIMITS, 5, index) for index in range(count)]


def test_each_characteristic_comes_in_turn_evenly_on_both_sides_of_its_limit():
    drawn = entries(400)
    assert set(OVER_LIMITS) <= set(SET_BY_VALUE)
    for condition, (name, which) in OVER_LIMITS.items():
        mine = [each for each in drawn if each.condition == condition]
        assert len(mine) == 100
        assert min(each.of_limit for each in mine) >= (COIL_FROM if "coil" in name else NEAR[0])
        for each in mine:
            limit = getattr(next(one for one in LIMITS[each.model] if one.name == name), which)
            assert each.value == pytest.approx(each.of_limit * limit, abs=1e-5)
            assert each.within_limit is ((each.of_limit <= 1) if which == "high" else (each.of_limit >= 1))
        assert 0 < sum(each.within_limit for each in mine) < 100


@pytest.mark.slow
def test_the_simulated_bench_makes_every_valve_that_is_drawn():
    for each in entries(60):
        draw_valve(each.model, each.condition, each.seed, value=each.value)


@pytest.mark.parametrize(("model", "ms"), [("alder-24", 12.6), ("birch-26", 26.0), ("cedar-44", 22.0)])
def test_a_sluggish_valve_pulls_in_as_slowly_as_was_asked(model, ms):
    assert 1e3 * pull_in_s(draw_valve(model, "sluggish", 3, value=ms)) == pytest.approx(ms, rel=3e-3)


def test_no_valve_is_made_faster_than_it_is_without_friction():
    with pytest.raises(ValueError, match="Without friction"):
        draw_valve("alder-24", "sluggish", 3, value=1.0)


def result(condition: str, of_limit: float, verdict: str, index: int = 0) -> Result:
    entry = Entry(index, "alder-24", condition, None, 1, 1.0, of_limit, True)
    if verdict == "bench fault":
        return Result(entry, "bench fault", said="dead")
    return Result(entry, "finished", Judgement(verdict, "", None, None, (), "sell", "", ()), 10.0)  # type: ignore[arg-type]


def test_verdicts_are_counted_by_steps_and_runs_without_one_are_left_out():
    came = (("seat-leak", 0.71, "accept"), ("seat-leak", 0.749, "undecided"), ("seat-leak", 0.75, "reject"))
    results = [result(*each) for each in (*came, ("seat-leak", 0.76, "bench fault"), ("sluggish", 1.29, "reject"))]
    found = operating_characteristics(Tally.of(results, 5))
    assert set(found) == {"seat-leak", "sluggish"}
    first, second = found["seat-leak"]
    assert (first.low, first.accepted.count, first.accepted.of, first.rejected.count) == (0.7, 1, 2, 0)
    assert (second.low, second.accepted.count, second.accepted.of, second.rejected.count) == (0.75, 0, 1, 1)
    assert found["sluggish"][0].low == 1.25


@pytest.mark.slow
def test_the_picture_is_one_svg_that_names_what_it_shows_and_is_the_same_every_time(tmp_path):
    tally = Tally.of([result("seat-leak", 0.8, "accept"), result("restricted", 0.8, "reject")], 2)
    for name in ("a.svg", "b.svg"):
        write_picture(tmp_path / name, tally)
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()
    root = ElementTree.parse(tmp_path / "a.svg").getroot()
    words = "".join(root.itertext())
    assert all(each in words for each in ("Hold leak", "Flow at rated vacuum", "true value over its limit", "rejected"))
    with pytest.raises(ConfigError, match="cannot be written"):
        write_picture(tmp_path / "none" / "a.svg", tally)
