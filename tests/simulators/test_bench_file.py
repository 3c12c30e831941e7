"""The demo bench's file, which lies in fixtures: its addresses, its constants, and that none of them is forgotten."""

from __future__ import annotations

import tomllib

import pytest

from simulators.bench_file import demo_bench_toml
from simulators.instruments.board_pins import DIVIDER, SHUNT_V_PER_A, TRANSDUCER_OFFSET_V, TRANSDUCER_V_PER_PA
from simulators.instruments.meter import IDENTITY as METER_IDENTITY
from simulators.simulated_bench import IDENTITY


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


def test_every_constant_that_can_be_calibrated_stands_in_it_with_its_uncertainty():
    """Where a line is left out, the default of a real bench counts unseen: the demonstration is to show them all."""
    from benchrig.bench.constants import CONSTANTS

    tables = tomllib.loads(demo_bench_toml())
    wanted = {(each.table, key) for each in CONSTANTS for key in (each.key, each.u_key)}
    assert {f"[{table}] {key}" for table, key in wanted if key not in tables[table]} == set()
