"""When a hold has told enough: looks at the record so far, until the leak is certainly within its limit, or beyond it.

A hold that is looked at often would, by chance, be stopped on the wrong side more often than one that is judged once
at its end. So the chance of a mistake that the valve model allows is spent over the looks (alpha spending, as in the
group-sequential tests of clinical trials, Lan and DeMets 1983, from memory): each look is given its part of what is
left, and nothing is spent before the record is good enough for a stop at all. The parts add up to no more than the
whole, so that by Bonferroni's inequality no more mistakes can come of them together. To count how alike two looks are
would gain little: each knows so much more than the one before, for the recovery of the gas dies away and the
uncertainty halves within about a second.

Not Wald's sequential test: its increments are independent, while a leak is the slope of a line through noisy samples
beside a recovery that is fitted anew at each look (increments correlated). Wald's expected sample numbers are the
yardstick in `tests/benchmarks/hold_seconds.py`.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal, Protocol

from benchrig.analysis.leak.hold_result import HoldResult

__all__ = ["FIRST_LOOK_S", "LookAt", "SpentRisk", "Stopped", "StoppingRule", "band_for", "looks_s"]

FIRST_LOOK_S = 1.5
"""Before that the gas has hardly begun to warm up, and any straight piece of its recovery looks like a leak."""
SPENT_PART, EARLY_PART = 0.2, 0.02
"""Of the risk that is left this part is spent at each look: most holds end at the first ones that can end them, and the
later ones know so much more that a wider band costs them little. Before a valve without any leak could be told from one
at its limit only gross leaks can end a hold, and the second part is enough."""
FURTHER = 1.14
"""From one look to the next time grows by this factor: the uncertainty has then fallen by a third or more."""
DOUBTED = ("wet", "undecided", "changing", "drift")
"""No hold is stopped as tight while it may be one of these."""
SHOWS_U, SHOWS_PART = 2.0, 0.1
"""A leak that shows, though the limit allows it, may be vapour, which begins like it; few sound valves leak by so great
a part of their limit (engineering judgement)."""
KNOWN_PART = 0.03
"""A leak known to this part of its limit, standard uncertainty, is known well enough: a longer hold would settle only
valves that lie nearer to their limit than twice that."""
LEAST_U_PART, WANDERS_U = 0.9, 0.3
"""A look is not worth the whole analysis where even this part of the least uncertainty possible would leave both sides
open, the leak being off the estimate by so many of it."""
FALLS_BY = 0.7
"""The excess of the whole analysis' uncertainty over the least possible seldom falls faster from look to look (seen in
simulated holds)."""
LEAST_BEYOND_S = 3.0
"""No hold ends for a leak before that, unless it is gross: vapour that is up within six seconds has hardly bent at
1.7 s (a wet valve was rejected there)."""
LAST_PART = 0.9
"""A look so near the end would save nothing worth having."""


@dataclass(frozen=True)
class Stopped:
    """Why a hold was stopped.

    Attributes
    ----------
    side : {"within", "beyond", "near"}
        Of the limit; "near": so near it that a longer hold would not be worth its time.
    after_s : float
        Seconds of record.
    band : float
        Distance from the limit that was demanded, in standard uncertainties.
    leak_pa_s : float or None
        Provided that vapour does not make what looks like a leak of so many Pa/s; None: whatever vapour does.
    """

    side: Literal["within", "beyond", "near"]
    after_s: float
    band: float
    leak_pa_s: float | None = None


class LookAt(Protocol):
    """Analyses the record so far; `suspicious`: as if vapour were likelier than it is."""

    def __call__(self, *, suspicious: bool) -> HoldResult:
        """The leak as it stands."""


def looks_s(longest_s: float) -> tuple[float, ...]:
    """Instants after shutting off, s, at which a hold of at most so long is looked at.

    Examples
    --------
    >>> looks_s(4.0)
    (1.5, 1.71, 1.95, 2.22, 2.53, 2.89, 3.29)
    """
    grown = itertools.accumulate(itertools.repeat(FURTHER), lambda so_far, by: so_far * by, initial=FIRST_LOOK_S)
    return tuple(round(each, 2) for each in itertools.takewhile(lambda each: each < LAST_PART * longest_s, grown))


def band_for(risk: float, looks: int) -> float:
    """Standard uncertainties from a limit at which so many looks together err by no more than a risk.

    Examples
    --------
    >>> round(band_for(0.05, 1), 3), round(band_for(0.05, 10), 3)
    (1.645, 2.576)
    """
    return -NormalDist().inv_cdf(risk / looks)  # scipy.special would cost every run 0.1 s of importing


class SpentRisk:
    """A chance of a mistake, spent look by look.

    Parameters
    ----------
    risk : float
        Of all looks together.
    """

    def __init__(self, risk: float) -> None:
        self._left = risk

    def band(self, part: float = SPENT_PART) -> float:
        """Standard uncertainties from the limit that the next look would ask for; nothing is spent by asking."""
        return band_for(part * self._left, 1)

    def spend(self, part: float = SPENT_PART) -> float:
        """The same for a look that is taken."""
        band = self.band(part)
        self._left *= 1 - part
        return band


class StoppingRule:
    """Looks at one hold, in order.

    Parameters
    ----------
    limit_sccm : float or None
        The leak allowed; None: nothing to decide, never stop.
    false_accept, false_reject : float
        What chance of a mistake is allowed to all looks together: of stopping for tight with a leak that is beyond the
        limit (the consumer's risk of acceptance sampling), and for leaking with one within it (the producer's).
    longest_s : float
        The hold ends then anyway.
    vapour_is_seen : bool
        Vapour can be looked for once the hold has ended: where nothing but vapour speaks against it, it ends.
    """

    def __init__(
        self,
        limit_sccm: float | None,
        false_accept: float,
        false_reject: float,
        longest_s: float,
        *,
        vapour_is_seen: bool = False,
    ) -> None:
        self._limit_sccm, self._due_s = limit_sccm, list(looks_s(longest_s))
        self._accepting, self._rejecting = SpentRisk(false_accept), SpentRisk(false_reject)
        self._vapour_is_seen = vapour_is_seen
        self._was_beyond = False
        self._whole_part = LEAST_U_PART

    def look(
        self,
        so_far_s: float,
        analyse: LookAt,
        estimate: Callable[[], tuple[float, float] | None] = lambda: None,
    ) -> Stopped | None:
        """Decide, if a look is due.

        No leak to speak of is believed at once; one that shows but is allowed may be vapour, and is held on: slow
        vapour bends after half a minute only. One beyond the limit must be so at two looks, also where vapour is
        suspected: its rise begins like a leak's. Where vapour can be looked for afterwards, its suspicion is left to
        that, and every leak that shows is looked at so, but a gross one: a hold can be sure of a leak that is vapour.

        Parameters
        ----------
        so_far_s : float
            Seconds of record after shutting off.
        analyse : callable
            `LookAt`; only called if a look is due, and worth it.
        estimate : callable
            The leak and the least standard uncertainty that it can have, sccm, at little cost; None: cannot be said.
        """
        limit = self._limit_sccm
        if limit is None or not self._due_s or so_far_s < self._due_s[0]:
            return None
        while self._due_s and self._due_s[0] <= so_far_s:
            self._due_s.pop(0)
        estimated = estimate()
        could = estimated is None or self._accepting.band() * LEAST_U_PART * estimated[1] < limit
        part = SPENT_PART if could else EARLY_PART
        band_within, band_beyond = self._accepting.spend(part), self._rejecting.spend(part)
        if self._is_hopeless(limit, estimated, band_within, band_beyond):
            self._was_beyond = False
            self._whole_part = max(LEAST_U_PART, FALLS_BY * self._whole_part)
            return None
        found = analyse(suspicious=False)
        if estimated is not None and found.hold_leak_sccm_u is not None:
            self._whole_part = max(LEAST_U_PART, FALLS_BY * found.hold_leak_sccm_u / estimated[1])
        within = _is_within(found, limit, band_within)
        if within and not _shows(found, limit):
            return Stopped("within", so_far_s, band_within)
        told = so_far_s >= LEAST_BEYOND_S or found.bound == "above"
        beyond = _is_beyond(found, limit, band_beyond)
        near = not beyond and _is_known(found, limit)
        beyond = beyond and told
        if beyond and not self._vapour_is_seen:
            beyond = _is_beyond(analyse(suspicious=True), limit, band_beyond)
        twice, self._was_beyond = beyond and self._was_beyond, beyond
        if twice:
            looked_for = self._vapour_is_seen and not found.bound
            return Stopped("beyond", so_far_s, band_beyond, found.pressure_rate_pa_s if looked_for else None)
        if self._vapour_is_seen and within:
            return Stopped("within", so_far_s, band_within, found.pressure_rate_pa_s)
        if self._vapour_is_seen and near:
            return Stopped("near", so_far_s, min(band_within, band_beyond), found.pressure_rate_pa_s)
        return None

    def _is_hopeless(
        self, limit: float, estimated: tuple[float, float] | None, band_within: float, band_beyond: float
    ) -> bool:
        """Whether no analysis could end the hold now, as far as a quick estimate can tell."""
        if estimated is None:
            return False
        leak, u = estimated
        within = leak - WANDERS_U * u + band_within * self._whole_part * u < limit
        beyond = leak + WANDERS_U * u - band_beyond * self._whole_part * u > limit
        if self._vapour_is_seen:
            return not (within or beyond or self._whole_part * u < KNOWN_PART * limit)
        within &= leak - (SHOWS_U + WANDERS_U) * u <= SHOWS_PART * limit
        return not (within or beyond)


def _is_within(found: HoldResult, limit: float, band: float) -> bool:
    leak, u = found.hold_leak_sccm, found.hold_leak_sccm_u
    if leak is None or u is None or found.explanation in DOUBTED:
        return False
    return leak + band * u < limit


def _shows(found: HoldResult, limit: float) -> bool:
    leak, u = found.hold_leak_sccm, found.hold_leak_sccm_u
    return leak is not None and u is not None and leak - SHOWS_U * u > SHOWS_PART * limit


def _is_known(found: HoldResult, limit: float) -> bool:
    u = found.hold_leak_sccm_u
    return u is not None and u < KNOWN_PART * limit and found.explanation not in DOUBTED


def _is_beyond(found: HoldResult, limit: float, band: float) -> bool:
    leak, u = found.hold_leak_sccm, found.hold_leak_sccm_u
    if leak is None or found.explanation == "wet":
        return False
    if u is None:
        return found.bound == "above" and leak > limit
    return leak - band * u > limit
