"""The terminal says the same as the page, in plain text where there is no terminal."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from benchrig.analysis.characteristics import title_of
from benchrig.reports.run_terminal import print_run, print_verdict
from tests.reports.sample_record import KINDS, sample


def printed(kind: str, *, width: int = 80, encoding: str = "utf-8", terminal: bool = False, tag: str = "C-1042") -> str:
    raw = io.BytesIO()
    out = io.TextIOWrapper(raw, encoding=encoding)
    print_run(sample(kind, tag=tag), Console(file=out, width=width, highlight=False, force_terminal=terminal))
    out.flush()
    return raw.getvalue().decode(encoding)


@pytest.mark.parametrize("kind", KINDS)
def test_without_a_terminal_there_are_no_control_codes_and_every_row_is_there(kind: str) -> None:
    text = printed(kind)
    assert "\x1b" not in text
    for each in sample(kind).characteristics:
        assert title_of(each.name) in text
    assert max(map(len, text.splitlines())) <= 80
    assert "…" not in text


def test_on_a_terminal_there_are_colours() -> None:
    assert "\x1b[" in printed("reject", terminal=True)


def test_the_first_line_says_verdict_tag_and_run() -> None:
    assert printed("reject").splitlines()[0].split() == ["REJECT", "C-1042", "alder-24,", "run", "0042"]
    assert printed("aborted").startswith("ABORTED: NO VERDICT")


def test_cause_disposition_error_and_hint_are_told() -> None:
    reject = " ".join(printed("reject").split())
    assert "stuck closed (94 %): normal coil current" in reject
    assert "refund. A returned part" in reject
    aborted = " ".join(printed("aborted").split())
    assert "guard opened." in aborted
    assert "Close the guard" in aborted
    assert "vent open" in aborted


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp437"])
def test_a_terminal_that_knows_few_characters_is_no_reason_to_fail(encoding: str) -> None:
    text = printed("undecided", encoding=encoding, tag="日本-Ω")
    assert "conditional pass" in text
    assert "24.61" in text


def test_a_tag_is_not_read_as_markup() -> None:
    assert "[bold]x[/bold]" in printed("aborted", tag="[bold]x[/bold]")
    assert "\x1b" not in printed("aborted", tag="evil\x1b[31m")


def test_a_retest_tells_what_the_run_before_said_and_what_has_changed() -> None:
    out = io.StringIO()
    print_run(sample("accept"), Console(file=out, width=80, highlight=False), sample("reject"))
    text = " ".join(out.getvalue().split())
    assert "tested before run 0042, 2026-11-25: Reject: stuck closed" in text
    assert "Click spread not measured → 0.23 ± 0.12 ms: not measured → pass" in text


def test_without_a_run_before_there_is_no_word_of_one() -> None:
    assert "tested before" not in printed("accept")


def test_the_closing_line_says_verdict_part_and_what_to_do() -> None:
    out = io.StringIO()
    print_verdict(sample("reject"), Console(file=out, width=80, highlight=False))
    assert out.getvalue().split() == ["REJECT", "C-1042", "refund"]
