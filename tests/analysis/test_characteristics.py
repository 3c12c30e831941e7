"""The table of words."""

from __future__ import annotations

from benchrig.analysis.characteristics import CHARACTERISTICS, number_text, title_of, with_unit


def test_every_name_ends_in_its_unit_or_is_a_ratio() -> None:
    ends = {
        "ohm": "_ohm",
        "A": "_a",
        "ms": "_ms",
        "sccm": "_sccm",
        "dm3/(s bar)": "_dm3_s_bar",
        "L/min ANR": "_lpm_anr",
    }
    for name, about in CHARACTERISTICS.items():
        assert name.endswith(ends[about.unit] if about.unit else "_ratio"), name
        assert about.title[0].isupper()
        assert 0 <= about.decimals <= 3


def test_titles_are_different() -> None:
    assert len({about.title for about in CHARACTERISTICS.values()}) == len(CHARACTERISTICS) == 14


def test_an_unknown_name_is_printed_as_it_is() -> None:
    assert title_of("own_test_v") == "own_test_v"
    assert number_text("own_test_v", 12345.678) == "1.235e+04"
    assert with_unit("own_test_v", 1.5) == "1.5"


def test_large_numbers_lose_their_decimals() -> None:
    assert with_unit("hold_leak_sccm", 999.994) == "999.99 sccm"
    assert with_unit("hold_leak_sccm", -12345.6) == "-12346 sccm"


def test_what_to_look_at_when_it_drifts_is_said_as_a_list_that_ends() -> None:
    for name, about in CHARACTERISTICS.items():
        assert about.drifts.endswith("."), name


def test_what_is_measured_warm_is_the_same_quantity_in_the_same_unit() -> None:
    for name, about in CHARACTERISTICS.items():
        if about.warm:
            warm = CHARACTERISTICS[about.warm]
            assert (warm.unit, warm.decimals, warm.step) == (about.unit, about.decimals, "warm"), name
