"""Arrays come back bit by bit, take little room, and can be read with NumPy alone."""

from __future__ import annotations

import io
import zipfile
from contextlib import suppress

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays as drawn

from benchrig.records.arrays import pack_arrays, unpack_arrays


def rough(n: int = 6000) -> dict[str, np.ndarray]:
    """What a record looks like: equal steps of time, a converter's values, a smooth curve."""
    rng = np.random.default_rng(4)
    time_s = np.arange(n) / 200.0 - 0.35
    pressure = 25e3 + 4e4 * np.round(4095 * (0.3 + 0.2 * time_s / time_s[-1]) + rng.normal(0, 2, n)) / 4095
    return {
        "time_s": time_s,
        "pressure_pa": pressure,
        "curve 0 time_s": time_s[::8],
        "curve 0 values": np.exp(-time_s[::8]),
    }


@given(st.lists(drawn(np.uint64, st.integers(0, 60)), max_size=4))
def test_every_pattern_of_bits_comes_back(patterns: list[np.ndarray]) -> None:
    told = {f"a{n}@x": each.view(np.float64) for n, each in enumerate(patterns)}
    back = unpack_arrays(pack_arrays(told))
    assert list(back) == list(told)
    assert all(back[name].tobytes() == told[name].tobytes() for name in told)
    assert all(back[name].dtype == np.float64 for name in told)


def test_few_levels_many_levels_and_one_value_come_back() -> None:
    rng = np.random.default_rng(1)
    told = {
        "few": rng.choice([1.5, -0.0, 0.0, np.nan, np.inf], 999),
        "many": rng.normal(size=70_000),
        "many in few": rng.choice(rng.normal(size=66_000), 300_000),
        "one": np.full(5000, 24.5),
        "empty": np.empty(0),
        "single": np.array([3.25]),
    }
    back = unpack_arrays(pack_arrays(told))
    assert {name: each.tobytes() for name, each in back.items()} == {
        name: each.tobytes() for name, each in told.items()
    }


def test_arrays_of_older_programs_are_read() -> None:
    told = rough()
    old = io.BytesIO()
    np.savez_compressed(old, **told)
    back = unpack_arrays(old.getvalue())
    assert all(back[name].tobytes() == told[name].tobytes() for name in told)


def test_a_record_takes_less_than_half_the_room_that_it_took() -> None:
    told = rough()
    old = io.BytesIO()
    np.savez_compressed(old, **told)
    assert len(pack_arrays(told)) < 0.5 * len(old.getvalue())


def test_the_archive_is_read_with_numpy_alone_as_the_documentation_says() -> None:
    told = rough()
    with np.load(io.BytesIO(pack_arrays(told))) as archive:
        steps = np.ascontiguousarray(archive["time_s@steps1"].T).view("<u8").ravel()
        assert np.cumsum(steps, dtype="u8").view("f8").tobytes() == told["time_s"].tobytes()
        levels = np.cumsum(np.ascontiguousarray(archive["pressure_pa@levels"].T).view("<u8").ravel(), dtype="u8")
        index = np.ascontiguousarray(archive["pressure_pa@index"].T).view("<u2").ravel()
        assert levels.view("f8")[index].tobytes() == told["pressure_pa"].tobytes()


def test_damage_anywhere_is_a_value_error() -> None:
    packed = pack_arrays(rough(300))
    rng = np.random.default_rng(2)
    for _ in range(300):
        damaged = bytearray(packed)
        damaged[rng.integers(len(damaged))] ^= 1 << int(rng.integers(8))
        with suppress(ValueError):  # anything else would be a traceback
            unpack_arrays(bytes(damaged))
    for content in (np.zeros((3, 4), np.uint8), np.zeros(8), np.zeros((8, 2))):
        out = io.BytesIO()
        np.savez(out, **{"x@steps1": content})
        with pytest.raises(ValueError, match="damaged"):
            unpack_arrays(out.getvalue())
    with pytest.raises(ValueError, match="damaged"):
        unpack_arrays(b"")
    assert zipfile.is_zipfile(io.BytesIO(packed))
