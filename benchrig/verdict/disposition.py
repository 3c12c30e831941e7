"""What to do with the part, from the verdict, the likely cause and why the part is here."""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchrig.verdict.judgement import Cause, Disposition, Reason, Verdict, sure_text

__all__ = ["SURE_ENOUGH", "dispose", "no_fault_found"]

COIL = frozenset({"open coil", "shorted turns", "high-resistance joint"})
"""Faults inside the moulded coil: nothing to repair."""
DIRT = frozenset({"stuck closed", "stuck open", "seat leak", "restricted", "sluggish"})
"""Faults that charcoal dust and gum make, and that cleaning often cures."""
WRONG = "wrong part"
SURE_ENOUGH = 0.6
"""A disposition that follows from the cause needs the causes that lead to it to be this likely together (judgement)."""


def dispose(
    verdict: Verdict,
    causes: Sequence[Cause],
    reason: Reason,
    *,
    air_out_min: int | None = None,
    nothing_found: tuple[Disposition, str] | None = None,
) -> tuple[Disposition, str]:
    """What to do with the part, and why, in one sentence.

    Parameters
    ----------
    verdict : {"accept", "reject", "undecided"}
        On the whole valve.
    causes : sequence of Cause
        Candidates, as from `likely_causes`; only a rejected valve needs them.
    reason : {"core", "return", "new-stock", "check-valve"}
        Why the part is here.
    air_out_min : int or None
        Of a valve that is undecided because it is wet: minutes to air it out.
    nothing_found : tuple or None
        What to do with a returned part in which nothing was found, from `no_fault_found`; None: tested cold, no more.

    Notes
    -----
    A core is scrapped or cleaned by its cause, so the cause has to be sure enough; several causes that lead to the same
    thing are added up. A returned part that is bad is refunded whatever the cause, unless it seems not to be the part
    that was sold. The wrong part in new stock is the supplier's affair like any other fault.

    Examples
    --------
    >>> dispose("reject", [Cause("seat leak", 0.55, ""), Cause("restricted", 0.4, "")], "core")
    ('clean and retest', 'Seat leak is most likely; cleaning often cures faults of this sort (95 % sure).')
    >>> dispose("accept", [], "return")[0]
    'return to customer'
    """
    if reason == "check-valve":
        if verdict == "accept":
            return "keep", "It is the check valve: it goes back to its shelf."
        return "ask", "It is the check valve, which was known to be good: look at the bench first, then at the valve."
    if verdict == "undecided" and air_out_min is not None:
        return (
            "air out and retest",
            f"Empty it, air it out outdoors or under a hood, away from sparks, and test it again after {air_out_min} "
            "minutes.",
        )
    if verdict == "undecided":
        return "ask", "The measurements do not decide it: somebody has to, or measure again."
    if verdict == "accept":
        if reason == "return":
            return nothing_found or no_fault_found(None, None, heat_complained_of=False)
        return "sell", "The part is within its limits."
    wrong = _sum(causes, {WRONG})
    if reason == "new-stock":
        return "refund", "The part is new and bad: claim it from the supplier."
    if reason == "return":
        if wrong >= SURE_ENOUGH:
            return "ask", f"It may not be the part that was sold ({sure_text(wrong)} sure): compare it with the sale."
        return "refund", "The part is bad."
    return _core(causes, wrong)


def no_fault_found(
    tested_at_c: float | None, warmed_to_c: float | None, *, heat_complained_of: bool
) -> tuple[Disposition, str]:
    """What to do with a returned part in which nothing was found, and what that does and does not say.

    Parameters
    ----------
    tested_at_c, warmed_to_c : float or None
        Temperature of the part, and that of its coil in a second look, degC; None: not known, no second look.
    heat_complained_of : bool
        Whether the customer's complaint speaks of heat.

    Examples
    --------
    >>> no_fault_found(22.3, None, heat_complained_of=False)[1]
    'No fault was found in coil, leak, flow and clicks at 22 °C. Not tested: heat, vibration, the part on its engine.'
    >>> no_fault_found(22.3, None, heat_complained_of=True)[0]
    'ask'
    """
    at = "cold" if tested_at_c is None else f"at {tested_at_c:.0f} °C"
    found = f"No fault was found in coil, leak, flow and clicks {at}"
    if warmed_to_c is not None:
        found += f", nor in coil, flow and clicks with the coil at {warmed_to_c:.0f} °C"
        return "return to customer", f"{found}. Not tested: vibration, the part on its engine."
    if heat_complained_of:
        return "ask", f"{found}. The complaint speaks of heat: test it again with --warm before it goes back."
    return "return to customer", f"{found}. Not tested: heat, vibration, the part on its engine."


def _core(causes: Sequence[Cause], wrong: float) -> tuple[Disposition, str]:
    if not causes:
        return "ask", "The part is bad, and the cause is not known."
    coil, dirt = _sum(causes, COIL), _sum(causes, DIRT)
    first = causes[0].name.capitalize()
    if coil >= SURE_ENOUGH:
        return "scrap", f"{first} is most likely; a coil cannot be repaired ({sure_text(coil)} sure)."
    if dirt >= SURE_ENOUGH:
        return (
            "clean and retest",
            f"{first} is most likely; cleaning often cures faults of this sort ({sure_text(dirt)} sure).",
        )
    if wrong >= SURE_ENOUGH:
        return "ask", f"It may be another valve than the model named ({sure_text(wrong)} sure): check the part number."
    sure = sure_text(causes[0].probability)
    return "ask", f"The part is bad, but no cause is sure enough to act on ({first.lower()}, {sure})."


def _sum(causes: Sequence[Cause], names: frozenset[str] | set[str]) -> float:
    return math.fsum(cause.probability for cause in causes if cause.name in names)
