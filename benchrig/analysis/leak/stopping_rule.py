"""When a hold has told enough: looks at the record so far, until the leak is certainly within its limit, or beyond it.

A hold that is looked at often would, by chance, be stopped on the wrong side more often than one that is judged once
at its end. So the chance of a mistake that the valve model allows is shared out among all looks: with equal shares no
more can come of them together (Bonferroni's inequality). That costs little here, because each look knows so much more
than the one before: the recovery of the gas dies away, and the uncertainty halves within about a second.

Not Wald's sequential test: its increments are independent, while a leak is the slope of a line through noisy samples
beside a recovery that is fitted anew at each look (increments correlated). Wald's expected sample numbers are the
yardstick in `tests/benchmarks/hold_seconds.py`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal, Protocol

from benchrig.analysis.leak.hold_result import HoldResult

__all__ = ["FIRST_LOOK_S", "LookAt", "Stopped", "StoppingRule", "band_for", "looks_s"]

FIRST_LOOK_S = 2.0
"""Before that the gas has hardly begun to warm up, and any straight piece of its recovery looks like a leak."""
FURTHER = 1.14
"""From one look to the next time grows by this factor: the uncertainty has then fallen by a third or more."""
DOUBTED = ("wet", "undecided", "changing", "drift")
"""No hold is stopped as tight while it may be one of these."""
FALLS_BY, MOST_PASSED = 0.6, 3
"""Hardly ever does the uncertainty fall below this part from one look to the next. Looks before which it cannot be
small enough are passed over: so many at most, since the leak that is seen wanders too."""
SHOWS_U, SHOWS_PART = 2.0, 0.1
"""A leak that shows, though the limit allows it, is followed to the end: vapour begins like it, and few sound valves
leak by so great a part of their limit (engineering judgement)."""
LEAST_U_PART, WANDERS_U = 0.75, 1.0
"""A look is not worth the whole analysis where even this part of the least uncertainty possible would leave both sides
open, the leak being off the estimate by so many of it."""
LAST_PART = 0.9
"""A look so near the end would save nothing worth having."""


@dataclass(frozen=True)
class Stopped:
    """Why a hold was stopped.

    Attributes
    ----------
    side : {"within", "beyond"}
        Of the limit.
    after_s : float
        Seconds of record.
    band : float
        Distance from the limit that was demanded, in standard uncertainties.
    """

    side: Literal["within", "beyond"]
    after_s: float
    band: float


class LookAt(Protocol):
    """Analyses the record so far; `suspicious`: as if vapour were likelier than it is."""

    def __call__(self, *, suspicious: bool) -> HoldResult:
        """The leak as it stands."""


def looks_s(longest_s: float) -> tuple[float, ...]:
    """Instants after shutting off, s, at which a hold of at most so long is looked at.

    Examples
    --------
    >>> looks_s(4.0)
    (2.0, 2.28, 2.6, 2.96, 3.38)
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
    """

    def __init__(self, limit_sccm: float | None, false_accept: float, false_reject: float, longest_s: float) -> None:
        self._limit_sccm, self._due_s = limit_sccm, list(looks_s(longest_s))
        looks = max(len(self._due_s), 1)
        self.band_within, self.band_beyond = band_for(false_accept, looks), band_for(false_reject, looks)
        self._was_beyond = False

    def look(
        self,
        so_far_s: float,
        analyse: LookAt,
        estimate: Callable[[], tuple[float, float] | None] = lambda: None,
    ) -> Stopped | None:
        """Decide, if a look is due.

        No leak to speak of is believed at once; one that shows but is allowed may be vapour, and is held on. One beyond
        the limit must be so at two looks, also where vapour is suspected: its rise begins like a leak's.

        Parameters
        ----------
        so_far_s : float
            Seconds of record after shutting off.
        analyse : callable
            `LookAt`; only called if a look is due, and worth it.
        estimate : callable
            The leak and the least standard uncertainty that it can have, sccm, at little cost; None: cannot be said.
        """
        if self._limit_sccm is None or not self._due_s or so_far_s < self._due_s[0]:
            return None
        while self._due_s and self._due_s[0] <= so_far_s:
            self._due_s.pop(0)
        if self._is_hopeless(estimate()):
            self._was_beyond = False
            return None
        found = analyse(suspicious=False)
        self._pass_over_hopeless(found)
        if self._is_within(found):
            return Stopped("within", so_far_s, self.band_within)
        beyond = self._is_beyond(found) and self._is_beyond(analyse(suspicious=True))
        twice, self._was_beyond = beyond and self._was_beyond, beyond
        return Stopped("beyond", so_far_s, self.band_beyond) if twice else None

    def _is_hopeless(self, estimated: tuple[float, float] | None) -> bool:
        """Whether no analysis could end the hold now."""
        if estimated is None or self._limit_sccm is None:
            return False
        leak, u = estimated
        least_u = LEAST_U_PART * u
        within = leak - WANDERS_U * u + self.band_within * least_u < self._limit_sccm
        beyond = leak + WANDERS_U * u - self.band_beyond * least_u > self._limit_sccm
        shows = leak - (SHOWS_U + WANDERS_U) * u > SHOWS_PART * self._limit_sccm
        return not (beyond or (within and not shows))

    def _pass_over_hopeless(self, found: HoldResult) -> None:
        """Leave out the looks before which the uncertainty will not have fallen to what the leak seen now asks for."""
        leak, u = found.hold_leak_sccm, found.hold_leak_sccm_u
        if leak is None or u is None or self._limit_sccm is None:
            return
        needed = abs(self._limit_sccm - leak) / max(self.band_within, self.band_beyond)
        if 0 < needed < u:
            looks = int(math.log(u / needed) / math.log(1 / FALLS_BY))
            del self._due_s[: min(looks, MOST_PASSED)]

    def _is_within(self, found: HoldResult) -> bool:
        leak, u = found.hold_leak_sccm, found.hold_leak_sccm_u
        if leak is None or u is None or self._limit_sccm is None or found.explanation in DOUBTED:
            return False
        shows = leak - SHOWS_U * u > SHOWS_PART * self._limit_sccm
        return not shows and leak + self.band_within * u < self._limit_sccm

    def _is_beyond(self, found: HoldResult) -> bool:
        leak, u = found.hold_leak_sccm, found.hold_leak_sccm_u
        if leak is None or self._limit_sccm is None or found.explanation == "wet":
            return False
        if u is None:
            return found.bound == "above" and leak > self._limit_sccm
        return leak - self.band_beyond * u > self._limit_sccm
