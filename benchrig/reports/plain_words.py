"""What came out, in one sentence that a customer understands: what happens to the valve, and what is wrong with it."""

from __future__ import annotations

from benchrig.records.run_record import RunRecord
from benchrig.reports.formatting import no_fault_by_practice
from benchrig.verdict.warm import warm_causes

__all__ = ["DISPOSITIONS", "cause_sentence", "plain_sentence"]

DISPOSITIONS = {
    "sell": "Sell it",
    "clean and retest": "Clean it and test it again",
    "air out and retest": "Air it out and test it again",
    "scrap": "Scrap it",
    "refund": "Refund it",
    "return to customer": "Return it to the customer",
    "keep": "Put it back on its shelf",
    "ask": "Ask before deciding",
}
_PLAIN_CAUSES = {
    "open coil": "its coil is broken",
    "shorted turns": "its coil has a short in it",
    "high-resistance joint": "there is a poor joint in its coil",
    "stuck closed": "it does not open",
    "stuck open": "it does not close",
    "seat leak": "it does not close tightly",
    "restricted": "too little air gets through it",
    "sluggish": "it moves too slowly",
    "wrong part": "it may be another part than the one named",
}
_NAMED_FROM = 0.6
"""A cause less likely than this is not said to a customer."""


def plain_sentence(record: RunRecord) -> str:
    """Say what is done with the valve, and why, in a sentence without a trade word.

    "Reject" and "clean it and test it again" side by side contradict each other for whoever does not know that the
    first is about the part as it lies here, and the second about what becomes of it: this says both at once.
    """
    judgement = record.judgement
    if judgement is None:
        return "The test has not ended yet." if record.ending == "running" else "The test stopped early: test it again."
    disposition = judgement.disposition
    if judgement.verdict == "accept":
        return {
            "sell": "This valve passed: it can be sold.",
            "return to customer": "This valve passed: it goes back to the customer.",
            "keep": "This valve passed: it goes back on its shelf.",
            "ask": "This valve passed so far: ask before it goes back.",
        }.get(disposition, f"This valve passed: {_then(disposition)}.")
    if no_fault_by_practice(record):
        return "No fault found by general practice. This is no pass: its own limits are not known."
    if judgement.verdict == "undecided":
        if judgement.cause == "wet":
            return f"This valve is still wet: {_then(disposition)}."
        if disposition == "ask":
            return "The test cannot decide: somebody has to look at this valve."
        return f"The test cannot decide yet: {_then(disposition)}."
    if disposition == "refund" and record.intake.reason == "new-stock":
        done = "This valve is faulty: claim it from the supplier."
    elif disposition == "ask":
        done = "This valve did not pass: ask before deciding about it."
    elif disposition in ("scrap", "refund"):
        done = f"This valve is faulty: {_then(disposition)}."
    else:
        done = f"This valve is no good as it is: {_then(disposition)}."
    return done


def cause_sentence(record: RunRecord) -> str:
    """What is wrong with it, for a customer; empty where no cause is sure enough, or none is known by plain words."""
    judgement = record.judgement
    if judgement is None or judgement.verdict == "accept" or (judgement.cause_probability or 0.0) < _NAMED_FROM:
        return ""
    said = _PLAIN_CAUSES.get(judgement.cause or "", "")
    failing = [one for one in judgement.judged if one.outcome == "fail"]
    warm = " once it is warm" if judgement.verdict == "reject" and warm_causes(failing) else ""
    return f"Most likely {said}{warm}." if said else ""


def _then(disposition: str) -> str:
    said = DISPOSITIONS.get(disposition, disposition)
    return said[:1].lower() + said[1:]
