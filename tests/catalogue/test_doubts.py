"""What in a model file is probably a mistake although nothing forbids it."""

from __future__ import annotations

import pytest

from benchrig.application.paths import demo_folder
from benchrig.catalogue import Catalogue, read_model
from benchrig.catalogue.doubts import USUAL, doubts_about, names_alike
from benchrig.catalogue.new_model import NewLimit, model_text


def of(*limits: NewLimit) -> tuple[str, ...]:
    return doubts_about(read_model(model_text("dogwood-12", "Dogwood 12", "closed", limits), where="here"))


def test_the_demonstration_has_none():
    assert [doubts_about(model) for model in Catalogue((demo_folder() / "models",)).all()] == [(), (), ()]


@pytest.mark.parametrize(
    ("name", "low", "high", "meant"),
    [
        ("coil_resistance_20c_ohm", 22_000, 27_000, "27 ohm"),
        ("pull_in_time_ms", None, 0.018, "18 ms"),
        ("flow_at_rated_vacuum_lpm_anr", 18_000, None, "18 L/min ANR"),
    ],
)
def test_a_unit_wrong_by_a_thousand_is_told_with_what_may_be_meant(name, low, high, meant):
    doubts = of(NewLimit(name, low, high, "drawing 7"))
    assert any("a thousand times" in doubt and meant in doubt for doubt in doubts)


def test_a_limit_that_is_far_from_usual_otherwise_is_told_too():
    (doubt,) = of(NewLimit("coil_resistance_20c_ohm", 400, None, "drawing 7"))
    assert "Is the unit right?" in doubt


def test_zero_as_a_limit_is_none():
    assert of(NewLimit("hold_leak_sccm", 0, 5, "drawing 7")) == ()


def test_a_copied_file_that_still_says_made_up_is_told():
    (doubt,) = of(NewLimit("hold_leak_sccm", None, 5, "made up for the demonstration"))
    assert "not fictional" in doubt


def test_every_characteristic_has_a_usual_range():
    from benchrig.analysis.characteristics import CHARACTERISTICS

    assert USUAL.keys() == CHARACTERISTICS.keys()


def test_names_of_a_series_are_not_alike_and_slips_are():
    assert names_alike(["alder-24", "alder-26", "birch-26"]) == ()
    assert names_alike(["alder-24", "elder-24"]) == (("alder-24", "elder-24"),)
