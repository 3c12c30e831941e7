"""With --json every ending is one JSON document on stdout: also a word that is not known, and a fault of ours."""

from __future__ import annotations

import json
import sys

import pytest

import benchrig.cli as command_line


def ended(monkeypatch, capsys, *words: str) -> tuple[int, dict]:
    monkeypatch.setattr(sys, "argv", ["benchrig", *words])
    status = command_line.run()
    return status, json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("words", [("demo", "--nope", "--json"), ("qualify", "--json"), ("nonsense", "--json")])
def test_a_usage_error_is_a_document(monkeypatch, capsys, words):
    status, document = ended(monkeypatch, capsys, *words)
    assert status == 2
    assert document["error"]
    assert set(document) == {"error", "hint", "bench_state"}


def test_a_fault_in_the_program_is_a_document_and_no_reject(monkeypatch, capsys):
    def broken(**_: object) -> None:
        raise RuntimeError("a bug")

    monkeypatch.setattr(command_line.cli, "main", broken)
    status, document = ended(monkeypatch, capsys, "demo", "--json")
    assert status == 3
    assert "a bug" in document["error"]


def test_an_example_mix_is_a_document(monkeypatch, capsys):
    _, document = ended(monkeypatch, capsys, "rehearse", "--example-mix", "--json")
    assert "[conditions]" in document["mix"]


def test_one_broken_model_file_hides_no_other(monkeypatch, capsys, workshop):
    (workshop / "models").mkdir(parents=True)
    (workshop / "models" / "bad.toml").write_text("x = 1", encoding="utf-8")
    monkeypatch.setattr(sys, "argv", ["benchrig", "models", "list", "--json"])
    assert command_line.run() == 0
    shown = capsys.readouterr()
    assert {"alder-24", "birch-26"} <= {each["model"] for each in json.loads(shown.out)}
    assert "bad.toml: 6 mistakes" in shown.err


def test_several_faults_at_once_are_listed_each_with_its_own_hint(monkeypatch, capsys, tmp_path):
    file = tmp_path / "bench.toml"
    file.write_text(
        '[bench]\nname = "b"\nsimulated = true\n[board]\nport = "/dev/ttyNONE9"\n'
        '[meter]\naddress = "TCPIP::127.0.0.1::9::SOCKET"\n[reservoir]\nvolume_l = 0.5\n',
        encoding="utf-8",
    )
    words = ("qualify", "--model", "alder-24", "--tag", "T-1", "--bench", str(file))
    status, document = ended(monkeypatch, capsys, *words, "--json")
    assert status == 3
    assert len(document["problems"]) == 2
    assert all(each["error"] in document["error"] and each["hint"] for each in document["problems"])
    monkeypatch.setattr(sys, "argv", ["benchrig", *words])
    command_line.run()
    told = capsys.readouterr().err.splitlines()
    checks = [number for number, line in enumerate(told) if line.strip().startswith("Check:")]
    assert checks[0] < next(number for number, line in enumerate(told) if "127.0.0.1" in line)
