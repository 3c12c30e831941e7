"""A valve whose model is not known: general practice stands in for its limits."""

from __future__ import annotations

import pytest

from benchrig.catalogue import Catalogue, by_general_practice, read_model
from benchrig.errors import ConfigError


@pytest.mark.parametrize(("name", "normally"), [("unknown", "closed"), ("unknown-open", "open")])
def test_an_unknown_model_is_found_in_any_catalogue(name, normally):
    model = Catalogue(()).get(name)
    assert (model.model, model.normally, model.general_practice, model.fictional) == (name, normally, True, False)


def test_the_coil_is_within_what_most_coils_have_and_every_limit_says_where_it_comes_from():
    limits = {limit.name: limit for limit in by_general_practice().limits}
    # Common practice, no source: 15 to 30 ohm for most coils; it holds vacuum, opens, and clicks.
    assert (limits["coil_resistance_20c_ohm"].low, limits["coil_resistance_20c_ohm"].high) == (15, 30)
    assert {"hold_leak_sccm", "flow_at_rated_vacuum_lpm_anr", "pull_in_time_ms"} <= limits.keys()
    assert {limit.limit_from for limit in limits.values()} == {"general practice, no source"}


def test_no_file_may_take_that_name():
    with pytest.raises(ConfigError, match="not known"):
        read_model('model = "unknown"\ntitle = "x"\n', where="here")
