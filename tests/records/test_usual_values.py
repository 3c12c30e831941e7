"""What the accepted parts of each model measured."""

from __future__ import annotations

from benchrig.records import Store
from benchrig.records.database.place import StorePlace
from benchrig.records.usual_values import usual_values
from tests.reports.sample_record import record_into


def test_usual_values_take_each_part_once_and_leave_a_run_and_the_check_valve_out(place: StorePlace):
    store = Store(place)
    for tag in ("A", "A", "B"):
        record_into(store.recorder(), "accept", tag=tag)
    record_into(store.recorder(), "accept", tag="CHECK", reason="check-valve")
    record_into(store.recorder(), "reject", tag="C")
    with store.reading() as connection:
        names = ("coil_resistance_20c_ohm",)
        simulated = store.run("run:1").bench.simulated
        found = usual_values(connection, names, simulated=simulated)
        assert {model: len(each[names[0]]) for model, each in found.items()} == {"alder-24": 2}
        assert len(usual_values(connection, names, simulated=simulated, but=3)["alder-24"][names[0]]) == 1
        assert usual_values(connection, names, simulated=not simulated) == {}
