"""What a customer reads: every disposition and every cause that the program knows has plain words."""

from __future__ import annotations

import dataclasses
from typing import get_args

import pytest

from benchrig.reports.plain_words import DISPOSITIONS, cause_sentence, plain_sentence
from benchrig.verdict.hypotheses import hypotheses
from benchrig.verdict.judgement import Disposition, Verdict
from tests.reports.sample_record import sample


def test_every_disposition_has_plain_words() -> None:
    assert set(DISPOSITIONS) == set(get_args(Disposition))


@pytest.mark.parametrize("disposition", get_args(Disposition))
@pytest.mark.parametrize("verdict", get_args(Verdict))
def test_the_sentence_speaks_no_trade_word(verdict: Verdict, disposition: Disposition) -> None:
    record = sample("reject")
    assert record.judgement is not None
    judgement = dataclasses.replace(record.judgement, verdict=verdict, disposition=disposition)
    said = plain_sentence(dataclasses.replace(record, judgement=judgement))
    assert said.endswith(".")
    assert said.count(".") == 1
    for word in ("reject", "accept", "undecided", "retest", "guard band", "sccm"):
        assert word not in said.lower()


@pytest.mark.parametrize("normally", ["closed", "open"])
def test_every_fault_has_plain_words(normally: str) -> None:
    record = sample("reject")
    assert record.judgement is not None
    for name in {each.name for each in hypotheses(normally)} - {"good", "unclear"}:  # type: ignore[arg-type]
        judgement = dataclasses.replace(record.judgement, cause=name, cause_probability=0.9)
        assert cause_sentence(dataclasses.replace(record, judgement=judgement)).startswith("Most likely "), name


def test_a_fault_that_shows_warm_only_says_so_and_an_unsure_one_says_nothing() -> None:
    record = sample("reject")
    assert record.judgement is not None
    failing = next(one for one in record.judgement.judged if one.outcome == "fail")
    named_warm = dataclasses.replace(failing.characteristic, name="coil_resistance_warm_ohm")
    warm = (dataclasses.replace(failing, characteristic=named_warm),)
    judgement = dataclasses.replace(record.judgement, cause="open coil", cause_probability=0.9, judged=warm)
    said = cause_sentence(dataclasses.replace(record, judgement=judgement))
    assert said == "Most likely its coil is broken once it is warm."
    unsure = dataclasses.replace(judgement, cause_probability=0.5)
    assert cause_sentence(dataclasses.replace(record, judgement=unsure)) == ""
