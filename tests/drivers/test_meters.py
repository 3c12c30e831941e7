"""The table of dialects: every driver of a meter is in it, and a bench file names one of it."""

from __future__ import annotations

import importlib
import inspect
import pkgutil

import pytest

from benchrig import drivers
from benchrig.bench.bench import Bench
from benchrig.bench.file import parse_bench_file
from benchrig.bench.opening import open_registered
from benchrig.drivers import meters
from benchrig.drivers.meters import METERS, Meter
from benchrig.drivers.multimeter import Multimeter
from benchrig.errors import ConfigError
from simulators.bench_file import demo_bench_toml

OFFERS = {name for name, _ in inspect.getmembers(Meter, inspect.isfunction) if not name.startswith("_")}


def test_no_driver_that_measures_resistance_is_left_out_of_the_table():
    found = set()
    for module in pkgutil.iter_modules(drivers.__path__):
        if module.name == "meters":
            continue
        for _, one in inspect.getmembers(importlib.import_module(f"benchrig.drivers.{module.name}"), inspect.isclass):
            if one.__module__.startswith("benchrig.drivers") and hasattr(one, "set_up_resistance"):
                found.add(one)
    assert found == set(METERS.values())


@pytest.mark.parametrize("driver", METERS.values())
def test_every_driver_offers_all_that_the_bench_asks_of_a_meter(driver):
    assert {"identify", "set_up_resistance", "start", "ready", "fetch", "close"} == OFFERS
    assert {name for name in OFFERS if not callable(getattr(driver, name, None))} == set()


def test_the_bench_file_names_the_dialect_and_one_that_is_not_known_is_told_with_those_that_are():
    text = demo_bench_toml()
    assert parse_bench_file(text, where="here").file.meter.driver == "scpi"
    with pytest.raises(ConfigError, match=r"\[meter\] driver: .*there are: scpi"):
        parse_bench_file(text.replace("wires = 4", 'wires = 4\ndriver = "semaphore"'), where="here")


def test_a_bench_is_opened_with_the_driver_that_its_file_names(monkeypatch):
    class Another(Multimeter):
        """Of another dialect, for the test."""

    monkeypatch.setattr(meters, "METERS", {"scpi": Multimeter, "another": Another})
    for module in ("benchrig.bench.file", "benchrig.bench.opening"):
        monkeypatch.setattr(f"{module}.METERS", meters.METERS)
    text = demo_bench_toml()
    monkeypatch.setattr(
        "simulators.entry.demo_bench_toml", lambda: text.replace("wires = 4", 'wires = 4\ndriver = "another"')
    )
    with open_registered("simulated", {"condition": "good", "seed": 1, "faults": []}) as bench:
        assert isinstance(bench, Bench)
        assert type(bench.meter) is Another
        bench.connect()
