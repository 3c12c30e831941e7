"""The person at the terminal: told one thing at a time, asked until a number comes, and missed when nobody is there."""

from __future__ import annotations

import io
import os
import threading

import pytest
from rich.console import Console

from benchrig.application.events import nobody_listens
from benchrig.application.operator_words import ASK, SAY, TAKEN
from benchrig.application.operators import AskedOperator, operator_for
from benchrig.bench.opening import OpenedBench
from benchrig.cli.operator_prompts import TerminalQuestions
from benchrig.errors import BenchError, ConfigError, LinkTimeout, aborted
from benchrig.sequencer.check.check import bench_check
from benchrig.sequencer.operator import Fitting, Unattended
from tests.sequencer.simulated_hands import simulated


def person(monkeypatch: pytest.MonkeyPatch, typed: str, default_kpa: float | None = None):
    opened, bench, _ = simulated(seed=3)
    monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    said = io.StringIO()
    general = bench.file.bench.model_copy(update={"barometer_kpa": default_kpa})
    bench.file = bench.file.model_copy(update={"bench": general})
    questions = TerminalQuestions(Console(file=said, width=100))
    return AskedOperator(questions, nobody_listens, bench), said, opened, bench


def test_everything_that_can_be_connected_has_its_words():
    assert set(SAY) == set(Fitting)
    assert all(words.endswith(".") for words in SAY.values())


def test_every_reference_that_is_read_has_its_question_and_its_range():
    assert set(TAKEN) == set(ASK)


def test_enter_goes_on_and_what_to_connect_was_said(monkeypatch):
    operator, said, _, _ = person(monkeypatch, "\n")
    operator.connect(Fitting.BLIND)
    assert "Close the port: blind plug" in said.getvalue()


def test_a_number_is_asked_for_until_one_comes_with_point_or_comma(monkeypatch):
    operator, said, _, _ = person(monkeypatch, "much\n0\n-3\nnan\n99,87\n")
    assert operator.read("barometer", "kPa") == 99.87
    assert said.getvalue().count("A number of kPa from 50 to 110 is wanted.") == 4


def test_a_barometer_in_hectopascals_is_told_from_one_in_kilopascals(monkeypatch):
    operator, said, _, _ = person(monkeypatch, "1013\n101.3\n")
    assert operator.read("barometer", "kPa") == 101.3
    assert "1013 hPa would be 101.3 kPa" in said.getvalue()


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_before_a_real_part_is_pumped_somebody_is_asked_whether_it_is_ready(monkeypatch):
    for typed, raises in (("\n", False), ("", True)):
        monkeypatch.setattr("sys.stdin", Terminal(typed))
        said = io.StringIO()
        console = Console(file=said, width=80, force_terminal=True)
        if raises:
            with pytest.raises(BenchError, match="Nobody answered"):
                TerminalQuestions(console).ready()
        else:
            TerminalQuestions(console).ready()
        assert "aired out" in said.getvalue()
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    TerminalQuestions(Console(file=io.StringIO())).ready()  # no terminal: nobody to ask, and nothing to wait for


def test_enter_alone_takes_what_the_bench_file_says(monkeypatch):
    operator, _, _, _ = person(monkeypatch, "\n", 101.3)
    assert operator.read("barometer", "kPa") == 101.3


def test_when_nobody_answers_the_check_ends_without_a_result_and_the_bench_is_safe(monkeypatch):
    operator, _, opened, bench = person(monkeypatch, "")
    with pytest.raises(Unattended, match="Nobody answered") as ended:
        bench_check(bench, operator, operator_name="me", program="test", barometer_pa=101_325.0)
    assert "all outputs off" in aborted(ended.value).bench_state
    assert opened.simulated_bench.board.outputs == 0


def test_a_bench_with_hands_is_its_own_guide_and_one_without_is_not(monkeypatch):
    opened, bench, _ = simulated(seed=3)
    questions = TerminalQuestions(Console(file=io.StringIO()))
    operator = operator_for(OpenedBench(bench, opened.close, opened.hands), questions, nobody_listens)
    operator.connect(Fitting.VESSEL)
    assert opened.simulated_bench.connected == "blind-plug"
    operator.now(Fitting.VESSEL)
    assert opened.simulated_bench.connected == "known-volume"
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    with pytest.raises(ConfigError, match="cannot connect anything by itself"):
        operator_for(OpenedBench(bench, opened.close), questions, nobody_listens)


@pytest.mark.parametrize(("what", "unit"), [("barometer", "kPa"), ("vacuum gauge", "kPa"), ("voltmeter", "V")])
def test_an_armed_board_is_fed_while_a_person_reads_an_instrument(monkeypatch, what, unit):
    operator, _, _, bench = person(monkeypatch, "")
    reading, writing = os.pipe()
    fed = []

    def typed_after_three_feeds() -> None:
        fed.append(what)
        if len(fed) == 3:
            os.write(writing, b"99.5\n")

    at_last = threading.Timer(3.0, os.write, (writing, b"99.0\n"))  # ends the wait where nobody feeds
    at_last.start()
    with open(reading) as stdin, open(writing, "wb"):
        monkeypatch.setattr("sys.stdin", stdin)
        bench.connect()
        bench.arm(5.0)
        monkeypatch.setattr(bench, "feed", typed_after_three_feeds)
        assert operator.read(what, unit) == 99.5
        at_last.cancel()
        at_last.join()
    assert len(fed) == 3


def test_a_board_that_is_not_armed_is_not_asked_for_anything_while_a_person_types(monkeypatch):
    operator, _, _, bench = person(monkeypatch, "99.5\n")
    monkeypatch.setattr(bench, "feed", lambda: pytest.fail("nothing is armed"))
    bench.connect()
    bench.arm(5.0)
    bench.make_safe()
    assert operator.read("barometer", "kPa") == 99.5


def test_a_question_that_was_cut_off_leaves_the_next_line_to_the_next_question(monkeypatch):
    operator, _, _, bench = person(monkeypatch, "")
    reading, writing = os.pipe()
    with open(reading) as stdin, open(writing, "wb"):
        monkeypatch.setattr("sys.stdin", stdin)
        bench.connect()
        bench.arm(5.0)

        def lost() -> None:
            raise LinkTimeout("the board does not answer")

        monkeypatch.setattr(bench, "feed", lost)
        with pytest.raises(LinkTimeout):
            operator.read("barometer", "kPa")
        monkeypatch.setattr(bench, "feed", lambda: None)
        os.write(writing, b"99.5\n")
        at_last = threading.Timer(3.0, os.write, (writing, b"99.0\n"))
        at_last.start()
        assert operator.read("barometer", "kPa") == 99.5
        at_last.cancel()
        at_last.join()
