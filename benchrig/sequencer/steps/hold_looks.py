"""Looks at a hold while it goes on: each record is fitted once, however often it is asked about."""

from __future__ import annotations

from typing import Any

from benchrig.analysis.leak.hold_vacuum import FittedHold, HoldResult, fit_hold, leak_setting
from benchrig.analysis.leak.quick_estimate import quick_estimate
from benchrig.analysis.leak.stopping_rule import Stopped, StoppingRule
from benchrig.analysis.results import Samples
from benchrig.sequencer.steps.vapour import RestRise, vapour_odds

__all__ = ["HoldLooks"]

SUSPECTED_ODDS, UNLOOKED_ODDS = 0.2, 1.0
"""Odds of vapour under which a leak beyond its limit must show before a hold is stopped for it: after a look at rest
that found none, and without such a look (engineering judgement)."""


class HoldLooks:
    """One hold.

    Parameters
    ----------
    known : dict
        What `leak_setting` takes, but for the odds of vapour.
    limit_sccm : float or None
        The leak allowed.
    rest : RestRise or None
        What rose at rest.
    """

    def __init__(self, known: dict[str, Any], limit_sccm: float | None, rest: RestRise | None) -> None:
        self._known, self._limit_sccm, self._rest = known, limit_sccm, rest
        self._suspected = UNLOOKED_ODDS if rest is None else SUSPECTED_ODDS
        self._fits: dict[tuple[int, float | None], FittedHold] = {}

    def stopped(self, rule: StoppingRule, time_s: Samples, pressure_pa: Samples) -> Stopped | None:
        """What the rule says of the record so far."""

        def look(*, suspicious: bool) -> HoldResult:
            odds: dict[str, Any] = (
                {"vapour_odds": self._suspected} if suspicious else vapour_odds(self._rest, (0.0, 0.0))
            )
            return self._fitted(time_s, pressure_pa, odds).result(self._limit_sccm)

        def estimate() -> tuple[float, float] | None:
            return quick_estimate(time_s, pressure_pa, leak_setting(**self._known))

        return rule.look(float(time_s[-1]), look, estimate)

    def result(self, time_s: Samples, pressure_pa: Samples, drift: tuple[float, float]) -> HoldResult:
        """The leak by the whole record, in a room that drifted so fast, K/s, with its standard uncertainty."""
        return self._fitted(time_s, pressure_pa, vapour_odds(self._rest, drift)).result(self._limit_sccm, *drift)

    def _fitted(self, time_s: Samples, pressure_pa: Samples, odds: dict[str, Any]) -> FittedHold:
        """The fit of a record that only grows: its length says which one it is."""
        which = len(time_s), odds.get("vapour_odds")
        if which not in self._fits:
            self._fits[which] = fit_hold(time_s, pressure_pa, leak_setting(**self._known, **odds))
        return self._fits[which]
