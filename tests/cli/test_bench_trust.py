"""Check, calibration and what a run rests on, at the command line."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

import pytest
from click.testing import CliRunner, Result

import benchrig.application.calibration as procedures
from benchrig.application.paths import model_folders, store_path
from benchrig.application.qualification import QualificationRequest, qualify_valve
from benchrig.bench.opening import OpenedBench
from benchrig.bench.traceability import BenchKey
from benchrig.catalogue import Catalogue
from benchrig.cli import cli
from benchrig.clock import utc_now
from benchrig.errors import NotCalibrated
from benchrig.records import Store
from benchrig.sequencer.events import Intake
from simulators.bench_file import demo_bench_toml
from tests.helpers import page_file
from tests.sequencer.simulated_hands import simulated

STRICT = (
    "needed = false              # a run needs none on a simulated bench; leave this line out on a real one\n",
    "",
)


def run(*arguments: str) -> Result:
    return CliRunner().invoke(cli, list(arguments))


def document(*arguments: str) -> dict:
    result = run(*arguments, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def one_run(*, allow: bool = False, seed: int = 1, swap: tuple[str, str] | None = STRICT) -> str:
    opened, bench, _ = simulated(seed=seed, swap=swap)
    model = Catalogue(model_folders()).get("alder-24")
    intake = Intake("T-1", "alder-24", "core", "me")
    request = QualificationRequest(model, intake, seed=seed, allow_uncalibrated=allow)
    return qualify_valve(Store(store_path()), OpenedBench(bench, opened.close), request).record.run


@pytest.mark.slow
def test_a_passed_check_is_stored_and_a_run_that_needs_one_rests_on_it():
    with pytest.raises(NotCalibrated, match="bench check: none was ever made") as refused:
        one_run()
    assert "benchrig bench check" in refused.value.hint
    assert Store(store_path()).runs() == []
    checked = document("bench", "check", "--simulated")
    assert checked["passed"]
    assert checked["check"] == "check-0001"
    assert [look["outcome"] for look in checked["looks"]] == ["pass"] * len(checked["looks"])
    number = one_run()
    record = Store(store_path()).run(number)
    assert [(ground.kind, ground.number) for ground in record.bench.grounds] == [("check", 1)]
    assert [entry["run"] for entry in document("records", "list", "--rests-on", "check-0001")] == [number]


@pytest.mark.slow
def test_a_check_too_old_or_failed_does_not_count(monkeypatch):
    document("bench", "check", "--simulated")
    later = utc_now() + timedelta(hours=25)
    with monkeypatch.context() as tomorrow:
        tomorrow.setattr("benchrig.bench.clock_steps.utc_now", lambda: later)
        with pytest.raises(NotCalibrated, match="is 25 h old, 24 h are allowed"):
            one_run()
    failed = run("bench", "check", "--simulated", "--fault", "weak-pump", "--json")
    assert failed.exit_code == 3
    assert json.loads(failed.stdout)["failed"][0] == "Pump-down (K3, K4, K5 on)"
    with pytest.raises(NotCalibrated, match=r"check-0002 .* failed: Pump-down \(K3, K4, K5 on\)\.$"):
        one_run(allow=True)


@pytest.mark.slow
def test_a_run_without_what_its_bench_file_asks_for_is_marked_everywhere(workshop):
    swap = ("needed = []                 #", 'needed = ["volume", "leads"] #')
    with pytest.raises(NotCalibrated, match="volume: never calibrated") as refused:
        one_run(swap=swap)
    assert "benchrig bench calibrate leads" in refused.value.hint
    assert "--allow-uncalibrated" in refused.value.hint
    document("bench", "calibrate", "leads", "--simulated")
    number = one_run(swap=swap, allow=True)
    shown = document("records", "show", number)
    assert shown["uncalibrated"] == ["volume: never calibrated"]
    assert [ground["kind"] for ground in shown["rests_on"]] == ["leads"]
    assert all(each["how"].startswith("UNCALIBRATED") for each in shown["characteristics"])
    page = page_file(workshop / "pages", number).read_text(encoding="utf-8")
    assert "<b>Uncalibrated.</b>" in page
    assert "cal-0001" in page
    assert "uncalibrated bench" in page_file(workshop / "pages", number, "-label").read_text(encoding="utf-8")
    assert "UNCALIBRATED" in run("records", "show", number).stdout


@pytest.mark.slow
def test_a_calibration_takes_the_place_of_the_files_constant_until_it_is_withdrawn():
    kept = document("bench", "calibrate", "volume", "--simulated", "--operator", "R. Counter")
    assert kept["calibration"] == "cal-0001"
    assert kept["references"][0]["certificate"] == "FV-V-0019"
    volume_l = kept["constants"][0]["value"]
    number = one_run(swap=None)
    record = Store(store_path()).run(number)
    assert record.bench.constants["reservoir volume"][0] == volume_l != 0.5
    assert "cal-0001" in record.bench.grounds[0].says
    gone = document("bench", "withdraw", "cal-0001", "--reason", "the vessel was dented")
    assert gone["runs"] == [number]
    listed = run("records", "list", "--rests-on", "cal-0001")
    assert number in listed.stdout
    assert "withdrawn" in listed.stderr
    assert document("records", "show", number)["withdrawn_since"] == ["cal-0001"]
    assert "was withdrawn: the vessel was dented" in " ".join(run("records", "show", number).stdout.split())
    again = Store(store_path()).run(one_run(swap=None))
    assert again.bench.constants["reservoir volume"][0] == 0.5
    assert again.bench.grounds == ()
    assert again.bench.remarks
    history = document("bench", "history")
    assert history["calibrations"][0]["withdrawn"]["reason"] == "the vessel was dented"
    assert history["damaged"] == []


@pytest.mark.slow
def test_another_seed_is_another_bench():
    document("bench", "calibrate", "leads", "--simulated", "--seed", "5")
    assert Store(store_path()).calibration_store.calibrations(BenchKey("bench-1", simulated=True, seed=1)) == ()
    assert Store(store_path()).run(one_run(swap=None)).bench.grounds == ()


@pytest.mark.slow
def test_an_expired_calibration_does_not_count(monkeypatch):
    swap = ("needed = []                 #", 'needed = ["leads"] #')
    document("bench", "calibrate", "leads", "--simulated")
    later = utc_now() + timedelta(days=366)
    monkeypatch.setattr("benchrig.bench.clock_steps.utc_now", lambda: later)
    with pytest.raises(NotCalibrated, match="leads: expired on"):
        one_run(swap=swap)


@pytest.mark.slow
def test_a_constant_that_moves_by_more_than_a_tenth_is_kept_only_with_yes(monkeypatch):
    monkeypatch.setattr(procedures, "MOVED_MOST", 1e-6)
    refused = run("bench", "calibrate", "volume", "--simulated", "--json")
    assert refused.exit_code == 2
    said = json.loads(refused.stdout)
    assert "reservoir volume_l moves from 0.5 to" in said["error"]
    assert "until now stands" in said["error"]
    assert "--yes" in said["hint"]
    assert Store(store_path()).calibration_store.calibrations() == ()
    assert document("bench", "calibrate", "volume", "--simulated", "--yes")["calibration"] == "cal-0001"


@pytest.mark.slow
def test_an_interrupted_calibration_keeps_nothing(monkeypatch):
    from benchrig.sequencer.calibration import gas

    document("bench", "calibrate", "volume", "--simulated")

    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(gas, "_end", stopped)
    result = run("bench", "calibrate", "volume", "--simulated")
    assert result.exit_code == 3
    assert "Nothing was kept" in result.stderr
    assert "all outputs off" in result.stderr
    assert [each.name for each in Store(store_path()).calibration_store.calibrations()] == ["cal-0001"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("bench", "calibrate", "shunt", "--simulated", "--by", "leak"), "--by is for volume"),
        (("bench", "check", "--fault", "estop"), "--fault is for the simulated bench"),
        (("bench", "check", "--simulated", "--bench", "x.toml"), "exclude each other"),
        (("bench", "check"), "No bench"),
        (("bench", "check", "--simulated", "--fault", "gremlins"), "no fault is called 'gremlins'"),
        (("bench", "withdraw", "cal-0009", "--reason", "x"), "No calibration"),
        (("bench", "withdraw", "cal-0009", "--reason", " "), "reason is empty"),
        (("records", "list", "--rests-on", "cal-0009"), "No calibration"),
        (("records", "list", "--rests-on", "check-0009"), "No bench check"),
    ],
)
def test_what_makes_no_sense_is_told_and_nothing_is_kept(arguments, said):
    result = run(*arguments)
    assert result.exit_code == 2
    assert said in result.output


def test_an_empty_history_says_so():
    assert "ever made" in run("bench", "history").stdout


def test_bench_show_says_what_a_run_would_rest_on_and_what_is_missing(tmp_path):
    text = json.loads(run("bench", "show", "--example", "--json").stdout)["bench_file"]
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    shown = document("bench", "show", "--bench", str(path))
    assert shown["rests_on"] == []
    assert [what.partition(":")[0] for what in shown["missing"]] == [
        "bench check", "volume", "shunt", "transducer", "leads", "heat", "background",
    ]  # fmt: skip
    assert not store_path().exists()
    words = run("bench", "show", "--bench", str(path)).stdout
    assert "never calibrated" in words
    assert "sharper with 'benchrig bench calibrate' inflow, response, scale" in " ".join(words.split())


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "constant"), [("inflow", "heat inflow_w_k"), ("scale", "transducer volts_per_pa")])
def test_bench_show_says_where_each_constant_comes_from(tmp_path, kind, constant):
    path = tmp_path / "bench.toml"
    path.write_text(demo_bench_toml(), encoding="utf-8")
    kept = document("bench", "calibrate", kind, "--simulated")
    shown = {each["name"]: each for each in document("bench", "show", "--bench", str(path))["constants"]}
    assert {each["from"] for each in shown.values()} == {"bench file"}  # that calibration is of seed 1's bench
    key = Store(store_path()).calibration_store.calibration(kept["calibration"])[0]
    assert key.seed == 1
    Store(store_path()).calibration_store.keep_calibration(
        replace(key, seed=None), Store(store_path()).calibration_store.calibration(kept["calibration"])[1]
    )
    shown = {each["name"]: each for each in document("bench", "show", "--bench", str(path))["constants"]}
    assert shown[constant]["from"] == "cal-0002"
    assert shown[constant]["value"] == kept["constants"][0]["value"]
    assert shown["reservoir volume_l"]["from"] == "bench file"
    assert "cal-0002" in run("bench", "show", "--bench", str(path)).stdout


@pytest.mark.slow
def test_a_run_rests_on_the_calibrated_heat_by_the_inflow_and_its_record_says_so():
    kept = document("bench", "calibrate", "inflow", "--simulated")
    record = Store(store_path()).run(one_run(swap=None))
    heat, power = (each["value"] for each in kept["constants"])
    assert record.bench.constants["heat conductance by inflow of 1 g/s"][0] == heat
    assert record.bench.constants["heat conductance's power of the inflow"][0] == power
    assert "cal-0001" in record.bench.grounds[0].says


@pytest.mark.slow
def test_a_calibration_made_on_another_meter_does_not_count_and_the_run_says_so() -> None:
    store = Store(store_path())
    key = BenchKey("bench-1", simulated=True, seed=1)
    assert run("bench", "calibrate", "leads", "--simulated", "--yes").exit_code == 0
    kept = store.calibration_store.calibrations(key)[0]
    assert dict(kept.made_on)["meter"].startswith("FICTION INSTRUMENTS")
    assert [each.kind for each in store.run(one_run(swap=None)).bench.grounds] == ["leads"]
    store.calibration_store.keep_calibration(key, replace(kept, made_on=(("meter", "ANOTHER,METER,7"),)))
    record = store.run(one_run(swap=None))
    assert record.bench.grounds == ()
    assert any("the meter was ANOTHER,METER,7" in each for each in record.bench.remarks)


@pytest.mark.slow
def test_a_clock_put_forward_since_the_last_run_is_said_and_marked_on_the_run(monkeypatch):
    before = Store(store_path()).run(one_run(swap=None))
    if before.bench.since_boot is None:
        pytest.skip("this system does not tell one start of the computer from another")
    assert not any("clock" in remark for remark in before.bench.remarks)
    with monkeypatch.context() as put_forward:
        later = utc_now() + timedelta(hours=30)
        put_forward.setattr("benchrig.bench.clock_steps.utc_now", lambda: later)
        put_forward.setattr("benchrig.sequencer.run.utc_now", lambda: later)
        record = Store(store_path()).run(one_run(swap=None))
        assert "the computer's clock was put forward by 30.0 h since the last run" in record.bench.remarks[0]
        assert record.judgement.why.count("clock") == 0
        # As long as it stays so it is said once: the run after it agrees with the one before.
        assert not any("clock" in remark for remark in Store(store_path()).run(one_run(swap=None)).bench.remarks)


@pytest.mark.slow
def test_a_clock_that_is_set_during_a_run_is_said_with_its_verdict(monkeypatch):
    now = utc_now()
    monkeypatch.setattr("benchrig.sequencer.run.utc_now", lambda: now - timedelta(hours=3))
    record = Store(store_path()).run(one_run(swap=None))
    if record.bench.since_boot is None:
        pytest.skip("this system does not tell one start of the computer from another")
    assert record.judgement.why.endswith("The computer's clock was put forward by 3.0 h during the run: set it right.")
