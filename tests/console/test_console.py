"""The console's two processes, asked over HTTP: runs, questions, stops, and what is left when one of them dies."""

from __future__ import annotations

import html
import os
import socket
import subprocess

import httpx
import pytest

from benchrig.application.paths import store_path
from benchrig.console.access import Access
from benchrig.console.settings import BenchSettings
from benchrig.console.web import console_app
from benchrig.records import Store
from tests.console.running import BENCHRIG, console, gone

pytestmark = pytest.mark.slow
REAL_TIME = ("--simulated",)
HOSTILE = "<script>alert(1)</script>'; DROP TABLE runs; --"


def measuring(state):
    return state["step"].get("name") == "hold" and state["step"]["done_s"] > 0.5


def test_a_leaking_valve_is_asked_about_and_rejected_and_a_good_one_accepted():
    with console() as page:
        assert page.start(condition="seat-leak").status_code == 200
        asked = page.until(lambda state: state["question"] is not None, answering=False)
        assert "Take the valve off" in asked["question"]["text"]
        verdict = page.ended()["ended"]
        assert (verdict["how"], verdict["key"], verdict["cause"]) == ("verdict", "reject", "seat leak")
        assert page.start(tag="C-1043", condition="good").status_code == 200
        state = page.ended()
        assert (state["ended"]["key"], state["run"]) == ("accept", "0002")
        shown = page.http.get("/page/0002/print")
        assert "C-1043" in shown.text
        assert "sandbox" in shown.headers["content-security-policy"]
        today = page.http.get("/today").json()
        assert (today["tested"], today["accept"], today["reject"]) == (2, 1, 1)
        assert page.http.get("/models").json()["models"][0]["model"] == "alder-24"
        assert [run["run"] for run in page.http.get("/tag", params={"typed": "C-1042"}).json()["runs"]] == ["0001"]
        joined = page.joined()
        assert {each["curve"] for each in joined["samples"]} == {"vacuum", "current"}
        assert [each["n"] for each in joined["samples"]] == list(range(len(joined["samples"])))


def test_one_run_at_a_time_and_a_button_pressed_twice_begins_one():
    with console(*REAL_TIME) as page:
        first = page.start(draft="a")
        assert page.start(draft="a").json() == first.json()
        refused = page.start(draft="b", tag="another")
        assert refused.status_code == 409
        assert "going on" in refused.json()["error"]
        assert page.post("/do/start", {"do": "check", "operator": "Kim"}).status_code == 409
        page.stop()
        assert page.ended()["ended"]["how"] == "stopped"
    assert len(Store(store_path()).runs()) <= 1


def test_a_stop_ends_the_run_and_its_record_and_does_nothing_where_nothing_goes_on():
    with console(*REAL_TIME) as page:
        page.stop()
        page.start()
        page.until(measuring)
        page.stop()
        state = page.ended()
        assert state["ended"]["how"] == "stopped"
        assert "all outputs off" in state["ended"]["bench_state"]
        page.stop()
        assert Store(store_path()).run("run:0001").ending == "aborted"
        page.start(tag="C-1043")
        page.stop()  # before or after it has begun
        assert page.ended()["ended"]["how"] == "stopped"
        page.start(tag="C-1044")
        assert page.until(measuring)["phase"] == "working"


def test_a_stop_while_a_question_is_open_is_heard():
    with console() as page:
        page.start(condition="seat-leak")
        page.until(lambda state: state["phase"] == "asking", answering=False)
        page.stop()
        assert page.ended()["ended"]["how"] == "stopped"


def test_a_bench_process_that_is_killed_leaves_an_aborted_run_and_another_one_takes_over():
    with console(*REAL_TIME) as page:
        page.start()
        page.until(measuring)
        killed = page.bench_process()
        page.kill(killed)
        state = page.until(lambda state: state["phase"] == "ended" and "ending" in state["ended"])
        assert (state["ended"]["how"], state["ended"]["ending"], state["run"]) == ("died", "aborted", "0001")
        assert Store(store_path()).run("run:0001").ending == "aborted"
        page.start(tag="C-1043")
        page.until(measuring)
        assert page.bench_process() != killed


def test_a_web_process_that_is_killed_leaves_a_bench_at_rest_and_an_aborted_run():
    with console(*REAL_TIME) as page:
        page.start()
        page.until(measuring)
        bench = page.bench_process()
        page.kill(page.process.pid)
        assert gone(bench, within_s=3.0)
        record = Store(store_path()).run("run:0001")
        assert record.ending == "aborted"
        assert "all outputs off" in record.bench_state
        page.process.wait()


def test_ctrl_c_stops_what_goes_on():
    with console(*REAL_TIME) as page:
        page.start()
        page.until(measuring)
        bench = page.bench_process()
    assert page.process.returncode == 3
    assert gone(bench, within_s=1.0)
    assert Store(store_path()).run("run:0001").ending == "aborted"


def test_a_hostile_tag_is_data_everywhere():
    with console() as page:
        page.start(tag=HOSTILE, complaint="<b>", findings='"><img src=x>', operator="<i>Kim</i>")
        state = page.ended()
        assert state["work"]["tag"] == HOSTILE
        printed = page.http.get("/page/0001/print").text
        assert "<script>" not in printed
        assert html.escape("<script>alert(1)</script>") in printed
        assert page.http.get("/tag", params={"typed": HOSTILE}).json()["runs"][0]["tag"] == HOSTILE
        assert page.http.get("/today").json()["runs"][0]["tag"] == HOSTILE


def test_what_cannot_be_meant_is_refused_with_words_and_begins_nothing():
    with console() as page:
        refused = page.start(tag="")
        assert (refused.status_code, refused.json()["error"]) == (400, "The tag is empty.")
        for nonsense in ("", "[1]", "{", "nul"):
            own = {"origin": str(page.http.base_url).rstrip("/"), "x-page-token": page.page_token}
            assert page.http.post("/do/start", content=nonsense, headers=own).status_code == 400
        assert page.post("/do/answer", {"question": 1, "value": True}).status_code == 409
        assert page.http.get("/page/9999/print").status_code == 400
        assert page.http.get("/tag", params={"typed": " "}).status_code == 400
        assert page.joined()["state"]["phase"] == "idle"


def test_a_bench_check_is_guided_on_the_page():
    with console() as page:
        assert page.post("/do/start", {"do": "check", "operator": "Kim"}).status_code == 200
        state = page.ended()
        assert (state["ended"]["how"], state["ended"]["passed"]) == ("check ended", True)
        assert len(state["did"]) > 5
        assert page.http.get("/bench").json()["check"]["passed"] is True


def test_a_calibration_is_guided_on_the_page():
    with console() as page:
        assert page.post("/do/start", {"do": "calibrate", "kind": "volume", "operator": "Kim"}).status_code == 200
        asked = page.until(lambda state: state["question"] is not None, answering=False)
        assert "known volume" in asked["question"]["text"]
        ended = page.ended()["ended"]
        assert (ended["how"], ended["kind"]) == ("calibrated", "volume")
        assert any("volume" in said for said in page.http.get("/bench").json()["rests_on"])


def test_a_check_valve_has_its_charts_and_a_batch_its_tally():
    with console() as page:
        assert page.http.get("/bench").json()["chart"] is None
        page.start(reason="check-valve", tag="SHELF-1", batch="Monday")
        page.ended()
        assert page.http.get("/bench").json()["chart"]["tag"] == "SHELF-1"
        charts = page.http.get("/chart/print")
        assert "SHELF-1" in charts.text
        assert "sandbox" in charts.headers["content-security-policy"]
        (batch,) = page.http.get("/today").json()["batches"]
        assert (batch["name"], batch["tested"]) == ("Monday", 1)


def test_a_port_that_is_taken_is_said():
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        command = [*BENCHRIG, "console", "--simulated", "--port", str(port)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=30)
    assert done.returncode == 2
    assert f"Port {port} of 127.0.0.1 cannot be had: another program listens there." in done.stderr
    assert "--port" in done.stderr


def test_from_another_address_of_this_computer_every_route_is_refused_without_the_token():
    addresses = {info[4][0] for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)}
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(("192.0.2.1", 9))  # nothing is sent: it tells the address that would be used
        addresses.add(probe.getsockname()[0])
    beyond = sorted(each for each in addresses if not each.startswith("127."))
    if not beyond:
        pytest.skip("this computer has no address beyond loopback")
    routes = console_app(BenchSettings(simulated="good"), Access("127.0.0.1", 1)).routes
    with console("--simulated", "--quick", "--host", "0.0.0.0") as page:
        base = f"http://{beyond[0]}:{page.http.base_url.port}"
        with httpx.Client(base_url=base, trust_env=False) as other:
            paths = [route.path for route in routes]
            assert len(paths) > 10
            for path in (*paths, "/static/console.js", "/nowhere"):
                filled = path.replace("{what:str}", "page").replace("{run:str}", "0001").replace("{run}", "0001")
                for method in ("GET", "POST", "HEAD", "OPTIONS", "PUT", "DELETE"):
                    answer = other.request(method, filled, headers={"origin": base})
                    assert answer.status_code == 403, (method, filled)
                    assert "benchrig</title>" not in answer.text
            entered = other.get(f"/?{page.address.partition('?')[2]}")
            assert entered.status_code == 303
            assert other.get("/").status_code == 200  # with its cookie


def test_nobody_else_reaches_a_console_that_is_for_this_computer_alone():
    with console() as page:
        port = page.http.base_url.port
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.connect(("192.0.2.1", 9))
            address = probe.getsockname()[0]
        if address.startswith("127."):
            pytest.skip("this computer has no address beyond loopback")
        with pytest.raises(ConnectionRefusedError), socket.create_connection((address, port), 2):
            pass
        assert os.path.exists(f"/proc/{page.bench_process()}")
