"""The order of switching."""

from hypothesis import given
from hypothesis import strategies as st

from benchrig.bench.wiring import AT_REST, METERING, SWEEPING, allowed, closed_up, pumping, way
from benchrig.drivers.relay_board import Output

sets = st.frozensets(st.sampled_from(sorted(Output, key=lambda o: o.name)))
allowed_sets = sets.filter(allowed)


@given(allowed_sets, allowed_sets)
def test_every_way_between_allowed_states_passes_only_allowed_states_and_arrives(start, end):
    states = way(start, end)
    assert all(allowed(state) for state in states)
    assert (states[-1] if states else start) == end


@given(allowed_sets, allowed_sets)
def test_supply_and_meter_never_change_places_in_one_step(start, end):
    exchange = {Output.COIL, Output.METER}
    for before, after in zip([start, *way(start, end)], way(start, end), strict=False):
        assert not (exchange & before and exchange & after and exchange & before != exchange & after)


@given(allowed_sets.filter(lambda s: Output.PUMP in s and Output.VENT in s), allowed_sets)
def test_the_pump_is_off_before_the_vent_opens(start, end):
    before = start
    for after in way(start, end):
        if Output.VENT in before and Output.VENT not in after:
            assert Output.PUMP not in before
        before = after


@given(allowed_sets, allowed_sets)
def test_the_pump_stops_only_behind_a_closed_isolation_valve_when_both_go_off(start, end):
    before = start
    for after in way(start, end):
        if Output.PUMP in before and Output.PUMP not in after and Output.ISOLATION not in end:
            assert Output.ISOLATION not in before
        before = after


def test_the_states_that_the_steps_use_are_allowed():
    for coil in (False, True):
        assert allowed(pumping(coil=coil))
        assert allowed(closed_up(coil=coil))
    assert allowed(METERING)
    assert allowed(AT_REST)


def test_supply_and_meter_together_are_never_allowed():
    assert not allowed(frozenset({Output.COIL, Output.METER}))


@given(allowed_sets, allowed_sets)
def test_the_vent_moves_only_while_the_pump_stands(start, end):
    before = start
    for after in way(start, end):
        if Output.VENT in before ^ after:
            assert Output.PUMP not in before | after
        before = after


def test_the_pump_runs_beside_an_open_vent_only_to_sweep():
    assert allowed(SWEEPING)
    for other in (Output.COIL, Output.METER, Output.REFERENCE):
        assert not allowed(SWEEPING | {other})
        assert not allowed(frozenset({Output.PUMP, other}))
