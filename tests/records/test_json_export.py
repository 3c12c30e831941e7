"""The JSON document of a run has the keys that other programs rely on."""

from __future__ import annotations

import json

import pytest

from benchrig.records import run_document
from tests.reports.sample_record import KINDS, sample

KEYS = {
    "run",
    "tag",
    "model",
    "verdict",
    "cause",
    "cause_probability",
    "disposition",
    "characteristics",
    "bench_seconds",
    "page",
}
ENTRY_KEYS = {"name", "value", "u", "unit", "low", "high", "limit_from", "outcome", "why"}


@pytest.mark.parametrize("kind", KINDS)
def test_every_promised_key_is_there_and_it_is_json(kind: str) -> None:
    document = run_document(sample(kind), page="/pages/run-0042.html")
    assert document.keys() >= KEYS
    assert all(entry.keys() >= ENTRY_KEYS for entry in document["characteristics"])
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert document["page"] == "/pages/run-0042.html"


def test_a_rejected_valve_has_cause_and_limits() -> None:
    document = run_document(sample("reject"), page=None)
    assert (document["verdict"], document["cause"], document["cause_probability"]) == ("reject", "stuck closed", 0.94)
    assert document["disposition"] == "refund"
    by_name = {entry["name"]: entry for entry in document["characteristics"]}
    pull_in = by_name["pull_in_time_ms"]
    assert (pull_in["value"], pull_in["bound"], pull_in["low"], pull_in["high"]) == (120.0, "above", None, 18.0)
    assert pull_in["outcome"] == "fail"
    missing = by_name["drop_out_time_ms"]
    assert (missing["value"], missing["u"], missing["outcome"]) == (None, None, "not measured")
    assert "did not move" in missing["why"]
    assert by_name["steady_current_a"]["low"] is None
    assert "error" not in document


def test_an_accepted_valve_has_no_cause() -> None:
    document = run_document(sample("accept"), page=None)
    assert (document["verdict"], document["cause"], document["cause_probability"]) == ("accept", None, None)


def test_an_aborted_run_has_no_verdict_but_says_why_and_what_it_measured() -> None:
    document = run_document(sample("aborted"), page=None)
    assert document["verdict"] is None
    assert document["cause"] is None
    assert document["disposition"] is None
    assert document["error"] == "The board switched everything off: guard opened."
    assert document["hint"].startswith("Close the guard")
    assert document["bench_state"] == "all outputs off, pump stopped, vent open"
    assert [entry["name"] for entry in document["characteristics"]] == ["coil_resistance_20c_ohm", "hold_leak_sccm"]
    assert {entry["outcome"] for entry in document["characteristics"]} == {None}
    assert document["characteristics"][1]["high"] == 5.0
