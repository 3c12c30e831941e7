"""From characteristics to the verdict on the whole valve."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from typing import Literal

from benchrig.analysis.characteristics import CHARACTERISTICS, title_of
from benchrig.analysis.results import Characteristic
from benchrig.verdict.cause import Evidence, likely_causes
from benchrig.verdict.conformity import judge
from benchrig.verdict.disposition import dispose, no_fault_found
from benchrig.verdict.evidence import COIL
from benchrig.verdict.judgement import Cause, Judged, Judgement, Limit, Outcome, Reason, Verdict
from benchrig.verdict.warm import warm_causes
from benchrig.verdict.wet import NAMED_FROM, Vapour, certain_beside_vapour, retest_after_min, vapour_said, wet_cause

__all__ = ["decide"]


def decide(
    characteristics: Sequence[Characteristic],
    limits: Sequence[Limit],
    *,
    guard_band: str,
    normally: Literal["closed", "open"],
    evidence: Evidence,
    reason: Reason,
    by_general_practice: bool = False,
) -> Judgement:
    """Judge every characteristic, then the valve.

    Parameters
    ----------
    characteristics : sequence of Characteristic
        What was measured, one of a name.
    limits : sequence of Limit
        What the model allows. Each of them asks for its characteristic to be measured.
    guard_band : {"none", "0.83 U", "U"}
        Decision rule of the model.
    normally : {"closed", "open"}
        State of the model without current.
    evidence : Evidence
        What else was seen.
    reason : {"core", "return", "new-stock", "check-valve"}
        Why the part is here.
    by_general_practice : bool
        The limits are what is expected of any valve, since nobody has the model's own: a valve within them is not
        accepted; no fault was found in it, and somebody has to decide. Nor is one rejected for its coil's resistance
        alone, which some models have outside of what most have, as long as every click was one.

    Returns
    -------
    Judgement
        *reject*: at least one characteristic fails. *undecided*: none fails, but one lies within the guard band of its
        limit, or one that has a limit was not measured. *accept*: all that have a limit pass. A rejected valve always
        has a cause, the most likely candidate, however unsure; an undecided one has a cause only where something that
        was seen speaks against the valve; an accepted one has none.

        A valve that shows fuel vapour is never accepted, and rejected only for what is certain whatever the vapour
        does: otherwise it is *undecided* and its cause is "wet".

    Raises
    ------
    ValueError
        Two characteristics or two limits of one name, or an unknown rule.

    Examples
    --------
    >>> leak = Characteristic("hold_leak_sccm", 63.0, 0.6, "sccm", how="")
    >>> limit = Limit("hold_leak_sccm", None, 5.0, "maker's data")
    >>> judgement = decide([leak], [limit], guard_band="U", normally="closed", evidence=Evidence(), reason="core")
    >>> judgement.verdict, judgement.cause, judgement.disposition
    ('reject', 'seat leak', 'clean and retest')
    >>> judgement.why
    'Hold leak fails: 63.00 sccm, at most 5 sccm allowed; beyond the limit by more than the guard band of 1.20 sccm.'
    """
    allowed = {each.name: each for each in limits}
    if len({each.name for each in characteristics}) != len(characteristics) or len(allowed) != len(limits):
        raise ValueError("two characteristics or two limits of one name")
    judged = tuple(
        judge(each, allowed.get(each.name), guard_band) for each in _to_be_judged(characteristics, tuple(allowed))
    )
    vapour = evidence.vapour if evidence.vapour is not None and evidence.vapour.probability >= NAMED_FROM else None
    limited = [each for each in judged if each.limit is not None and each.outcome != "no limit"]
    verdict = _verdict({each.outcome for each in limited})
    decisive = [each for each in limited if each.outcome in _DECISIVE[verdict]]
    why = _why(verdict, decisive)
    if vapour is not None and (verdict != "reject" or not certain_beside_vapour(decisive)):
        return _wet(judged, vapour, "" if verdict == "accept" else why, reason)
    if by_general_practice:
        if verdict == "accept":
            return _undecided_by_practice(judged, NO_FAULT)
        if verdict == "reject" and {each.characteristic.name for each in decisive} == {COIL} and _works(evidence):
            return _undecided_by_practice(judged, f"{why} {UNUSUAL_COIL}")
    suspect = verdict == "reject" or any(_speaks_against(each, evidence) for each in decisive)
    causes: tuple[Cause, ...] = ()
    if suspect:
        causes = (warm_causes(decisive) if verdict == "reject" else ()) or likely_causes(judged, evidence, normally)
    nothing_found = no_fault_found(
        evidence.tested_at_c, evidence.warmed_to_c, heat_complained_of=evidence.heat_complained_of
    )
    disposition, disposition_why = dispose(verdict, causes, reason, nothing_found=nothing_found)
    return Judgement(
        verdict=verdict,
        why=why,
        cause=causes[0].name if causes else None,
        cause_probability=causes[0].probability if causes else None,
        causes=causes,
        disposition=disposition,
        disposition_why=disposition_why,
        judged=judged,
    )


def _wet(judged: tuple[Judged, ...], vapour: Vapour, beside: str, reason: Reason) -> Judgement:
    cause = wet_cause(vapour)
    disposition, disposition_why = dispose("undecided", (cause,), reason, air_out_min=retest_after_min(vapour))
    return Judgement(
        verdict="undecided",
        why=f"The valve is wet: {vapour_said(vapour)}. A leak may hide behind it. {beside}".strip(),
        cause=cause.name,
        cause_probability=cause.probability,
        causes=(cause,),
        disposition=disposition,
        disposition_why=disposition_why,
        judged=judged,
    )


NO_FAULT = (
    "No fault found by general practice: coil, vacuum held, flow and click are as expected of any such valve. Whether "
    "it meets the limits of its own model is not known."
)
UNUSUAL_COIL = "That is what most coils have, not all: this one moves its armature and nothing else is wrong."


def _works(evidence: Evidence) -> bool:
    return evidence.moved_fraction == 1.0 and not evidence.intermittent


def _undecided_by_practice(judged: tuple[Judged, ...], why: str) -> Judgement:
    return Judgement(
        verdict="undecided",
        why=why,
        cause=None,
        cause_probability=None,
        causes=(),
        disposition="ask",
        disposition_why="Get the model's own limits and test it by them, or let somebody decide who knows the valve.",
        judged=judged,
    )


def _to_be_judged(found: Sequence[Characteristic], wanted: Sequence[str]) -> list[Characteristic]:
    """What was found, and what is wanted and was not looked for, in the order of the table of characteristics."""
    by_name = {each.name: each for each in found}
    for name in wanted:
        if name not in by_name:
            unit = CHARACTERISTICS[name].unit if name in CHARACTERISTICS else ""
            why_not = "the step that measures it was not run"
            by_name[name] = Characteristic(name, None, None, unit, how="", why_not=why_not)
    order = {name: number for number, name in enumerate(CHARACTERISTICS)}
    return sorted(by_name.values(), key=lambda each: order.get(each.name, len(order)))


_DECISIVE: Mapping[Verdict, tuple[Outcome, ...]] = {
    "reject": ("fail",),
    "undecided": ("conditional fail", "conditional pass", "not measured"),
    "accept": ("pass",),
}
_SAID: tuple[tuple[tuple[Outcome, ...], str, str], ...] = (
    (("fail",), "fails", "fail"),
    (
        ("conditional fail", "conditional pass"),
        "is too close to its limit to tell",
        "are too close to their limits to tell",
    ),
    (("not measured",), "could not be measured", "could not be measured"),
)
"""What is said of a characteristic with such an outcome, and of several."""


def _verdict(outcomes: Set[Outcome]) -> Verdict:
    """The verdict by the outcomes of all that has a limit."""
    if "fail" in outcomes:
        return "reject"
    return "accept" if outcomes == {"pass"} else "undecided"


def _why(verdict: Verdict, decisive: Sequence[Judged]) -> str:
    """The verdict's reason in a few sentences."""
    if not decisive:
        return "The model sets no limit on anything: there is nothing to judge by."
    if verdict == "accept":
        if len(decisive) > 1:
            return f"All {len(decisive)} characteristics that have a limit pass."
        return f"{title_of(decisive[0].characteristic.name)} passes: {decisive[0].why}."
    sentences = []
    for outcomes, one, several in _SAID:
        which = [each for each in decisive if each.outcome in outcomes]
        names = [title_of(each.characteristic.name) for each in which]
        if len(which) == 1:
            sentences.append(f"{names[0]} {one}: {which[0].why}.")
        elif which:
            rest = [name[0].lower() + name[1:] for name in names[1:]]
            sentences.append(f"{', '.join([names[0], *rest[:-1]])} and {rest[-1]} {several}.")
            sentences += [f"{name}: {each.why}." for name, each in zip(names, which, strict=True)]
    return " ".join(sentences)


def _speaks_against(judged: Judged, evidence: Evidence) -> bool:
    """Whether this is more than a gap in the measurements."""
    if judged.outcome in ("fail", "conditional fail", "conditional pass"):
        return True
    return evidence.intermittent and judged.characteristic.name == COIL
