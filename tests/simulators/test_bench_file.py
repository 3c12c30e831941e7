"""The demo bench's file: the one in fixtures is the one that the simulated bench hands over."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from simulators.bench_file import demo_bench_toml
from simulators.instruments.board_pins import DIVIDER, SHUNT_V_PER_A, TRANSDUCER_OFFSET_V, TRANSDUCER_V_PER_PA
from simulators.instruments.meter import IDENTITY as METER_IDENTITY
from simulators.simulated_bench import IDENTITY

FIXTURE = Path(__file__).parents[2] / "fixtures" / "demo" / "bench.toml"


def test_the_fixture_is_what_the_simulated_bench_hands_over():
    assert FIXTURE.read_text(encoding="utf-8") == demo_bench_toml("memory", "memory")


@pytest.mark.parametrize("port", ["/tmp/rig/board", "COM3", 'a "quoted" \\ name\t\x7f', "Werkstatt-Prüfstand"])
def test_addresses_come_back_as_they_went_in(port):
    table = tomllib.loads(demo_bench_toml(port, "TCPIP::127.0.0.1::5025::SOCKET"))
    assert table["board"]["port"] == port
    assert table["meter"]["address"] == "TCPIP::127.0.0.1::5025::SOCKET"


def test_it_names_the_instruments_that_answer():
    table = tomllib.loads(demo_bench_toml())
    assert table["board"]["identity"].encode() == IDENTITY
    assert METER_IDENTITY.startswith(table["meter"]["identity"])
    assert table["bench"]["simulated"] is True


def test_its_nominal_constants_are_those_of_the_simulated_electronics():
    table = tomllib.loads(demo_bench_toml())
    assert table["shunt"]["volts_per_amp"] == SHUNT_V_PER_A
    assert table["supply"]["divider"] == DIVIDER
    assert table["transducer"]["offset_v"] == TRANSDUCER_OFFSET_V
    assert table["transducer"]["volts_per_pa"] == TRANSDUCER_V_PER_PA


def test_no_constant_that_can_be_calibrated_counts_as_known_exactly_where_it_is_left_out():
    from benchrig.bench.calibrations import constant_in
    from benchrig.bench.constants import CONSTANTS
    from benchrig.bench.file import parse_bench_file

    file = parse_bench_file(demo_bench_toml(), where="here").file
    assert [each.name for each in CONSTANTS if not constant_in(file, each).u > 0] == []
