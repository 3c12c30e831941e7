"""What the last hours tell of the bench: that the line is tight and free, and how the gas warms up after a pump-down.

Each accepted valve proves what the blind plug and the open port prove, until something is changed: a leaking hose would
have leaked then, a blocked one let nothing in. So a control need not take the next valve off where the one before it
was accepted a short while ago, or the bench check passed. It counts once: after a reject the line is looked at again.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from benchrig.analysis.leak.known_recovery import LONG_ENOUGH_TAUS, KnownRecovery, known_recovery
from benchrig.bench.traceability import CheckDone
from benchrig.records.recent_runs import RecentRun
from benchrig.sequencer.steps.hold import CHILL_LABEL, EXPECTED_LABEL, HELD_LABEL, TAU_LABEL

__all__ = ["line_proven_by", "recovery_of_the_day"]


def line_proven_by(runs: Sequence[RecentRun], check: CheckDone | None, now: datetime, hours: float) -> str:
    """What proved the line tight and free last, if nothing has spoken against it since; empty: nothing.

    Parameters
    ----------
    runs : sequence of RecentRun
        On this bench, newest first.
    check : CheckDone or None
        The last bench check.
    hours : float
        How old the proof may be.
    """
    oldest = now - timedelta(hours=hours)
    last = runs[0] if runs else None
    if last is not None and last.ended is None:
        return ""
    if check is not None and (last is None or last.ended is None or check.ended > last.ended):
        return f"{check.name} of {check.ended:%H:%M} UTC, passed" if check.passed and check.ended >= oldest else ""
    if last is None or last.ended is None or last.ended < oldest:
        return ""
    if last.ending != "finished" or last.verdict != "accept" or not (last.leak_measured and last.flow_measured):
        return ""
    return f"run {last.run}, accepted at {last.ended:%H:%M} UTC"


def recovery_of_the_day(runs: Sequence[RecentRun], now: datetime, hours: float) -> KnownRecovery | None:
    """How the gas warms up, from the accepted valves of the last hours whose hold was long enough to tell it."""
    oldest = now - timedelta(hours=hours)
    told = [
        (each.hold[TAU_LABEL], each.hold[CHILL_LABEL], each.hold.get(EXPECTED_LABEL))
        for each in runs
        if each.verdict == "accept" and each.ended is not None and each.ended >= oldest
        if {TAU_LABEL, CHILL_LABEL, HELD_LABEL} <= set(each.hold)
        if each.hold[HELD_LABEL] > LONG_ENOUGH_TAUS * each.hold[TAU_LABEL]
    ]
    expected_k = [expected for *_, expected in told if expected]
    return known_recovery([tau_s for tau_s, *_ in told], [chill_k for _, chill_k, _ in told], expected_k)
