"""The bench as one thing: several faults told at once, and constants that stay what they were set to."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from benchrig.bench.bench import raise_all
from benchrig.bench.calibrations import Calibration, Constant, with_calibrations
from benchrig.bench.traceability import Grounds
from benchrig.errors import BenchError, ConfigError, DeviceError, LinkError, LinkTimeout
from tests.sequencer.simulated_hands import simulated

NOW = datetime(2026, 11, 26, 12, tzinfo=UTC)


def calibration(name: str, value: float, u: float) -> Calibration:
    kind = {"reservoir volume_l": "volume", "meter lead_ohm": "leads"}[name]
    constant = Constant(name, value, u, "")
    return Calibration(kind, (constant,), (constant,), (), NOW, NOW + timedelta(days=1), "me", "by hand", number=3)


def test_calibrations_do_not_discard_a_barometer_that_was_entered_before():
    _, bench, _ = simulated(seed=1)
    bench.enter_barometer(97.3)
    bench.rest_on(Grounds(used=(calibration("reservoir volume_l", 0.6, 0.001),)))
    assert bench.file.bench.barometer_kpa == 97.3
    assert bench.file.reservoir.volume_l == 0.6


def test_one_fault_is_raised_as_it_is():
    wrong = LinkTimeout("no answer", hint="cable")
    with pytest.raises(LinkTimeout) as raised:
        raise_all([wrong])
    assert raised.value is wrong
    raise_all([])


@pytest.mark.parametrize(
    ("problems", "kind"),
    [
        ([LinkTimeout("a", hint="x"), LinkError("b", hint="y")], LinkError),
        ([ConfigError("a", hint="x"), LinkTimeout("b", hint="y")], BenchError),
        ([ConfigError("a", hint="x"), ConfigError("b", hint="y")], ConfigError),
        ([DeviceError("a", hint="x"), LinkError("b", hint="y")], BenchError),
    ],
)
def test_several_faults_are_one_error_of_what_they_have_in_common_and_keep_each_with_its_hint(problems, kind):
    with pytest.raises(BenchError) as raised:
        raise_all(problems)
    assert type(raised.value) is kind
    assert [(str(each), each.hint) for each in raised.value.problems] == [("a", "x"), ("b", "y")]
    assert str(raised.value) == "2 things are wrong with the bench:\n  a\n  b"
    assert raised.value.hint == "x\ny"
    assert isinstance(raised.value.__cause__, ExceptionGroup)
    assert raised.value.__cause__.exceptions == tuple(problems)


@pytest.mark.parametrize(("name", "value", "u"), [("reservoir volume_l", -0.5, 0.001), ("meter lead_ohm", 0.1, -1.0)])
def test_a_calibrated_constant_is_held_against_the_bounds_of_the_bench_file(name, value, u):
    _, bench, _ = simulated(seed=1)
    wrong = calibration(name, value, u)
    with pytest.raises(ConfigError, match="cal-0003") as refused:
        with_calibrations(bench.loaded.file, [wrong])
    assert "withdraw cal-0003" in refused.value.hint


def test_a_calibration_within_the_bounds_counts_with_its_uncertainty():
    _, bench, _ = simulated(seed=1)
    file = with_calibrations(bench.loaded.file, [calibration("reservoir volume_l", 0.6, 0.003)])
    assert (file.reservoir.volume_l, file.reservoir.u_percent) == (0.6, pytest.approx(0.5))
    assert replace(bench.loaded, file=file).file.meter == bench.loaded.file.meter
