"""A trace is analysed without a terminal: a file in, values with uncertainty out."""

from __future__ import annotations

import numpy as np
import pytest

from benchrig.application.trace_analysis import Surroundings, analyse_hold_trace
from benchrig.errors import ConfigError

ROOM = Surroundings(0.5, 0.5, 101.325, 20.0, 60.0, None)


def hold_file(path, rise_pa_s):
    t = np.arange(0, 30, 0.01)
    p = 41_325 + rise_pa_s * t + np.random.default_rng(2).normal(0, 12, len(t))
    np.savetxt(path, np.column_stack([t, p]), fmt="%.9g", delimiter=",", header="time_s,pressure_pa", comments="")
    return path


def test_a_hold_is_analysed_without_a_terminal_and_its_document_holds_every_value_with_its_uncertainty(tmp_path):
    # 1 sccm lifts 0.5 L at 20 degC by 3.6248 Pa/s (ideal gas).
    found = analyse_hold_trace(
        hold_file(tmp_path / "h.csv", 36.248), ROOM, from_s=None, background_sccm=0.0, background_u_sccm=0.05
    )
    leak = found.values[0]
    assert (leak.name, leak.unit) == ("hold_leak_sccm", "sccm")
    assert leak.value == pytest.approx(10.0, abs=0.3)
    document = found.document()
    for each in found.values:
        assert (document[each.name], document[f"{each.name}_u"]) == (each.value, each.u)
    assert document["time_zero_s"] == 0.0
    assert document["notes"] == list(found.notes)


def test_the_background_that_is_told_is_taken_off(tmp_path):
    file = hold_file(tmp_path / "h.csv", 36.248)
    with_it, without = (
        analyse_hold_trace(file, ROOM, from_s=None, background_sccm=told, background_u_sccm=0.05).values[0].value
        for told in (0.0, 2.0)
    )
    assert with_it is not None
    assert without == pytest.approx(with_it - 2.0, abs=1e-6)


def test_a_file_that_shows_something_else_is_an_error_with_a_hint(tmp_path):
    file = tmp_path / "x.csv"
    file.write_text("time_s,volts\n0,1\n1,2\n", encoding="utf-8")
    with pytest.raises(ConfigError, match="pressure_pa") as caught:
        analyse_hold_trace(file, ROOM, from_s=None, background_sccm=0.0, background_u_sccm=0.05)
    assert caught.value.hint
