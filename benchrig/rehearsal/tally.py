"""Count what came out against what was put in."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from benchrig.rehearsal.confidence_limits import Quantile, Rate, quantile
from benchrig.rehearsal.one_valve import Result
from benchrig.rehearsal.plan import GRADES, grade

__all__ = ["MAIN", "Tally", "cause_is_right", "is_right", "kind_of_miss"]

MAIN = ("good", "open-coil", "shorted-turns", "stuck-closed", "stuck-open", "seat-leak", "restricted", "sluggish")
"""The conditions whose cause the program is meant to name."""
WET = "wet"
"""The condition that is neither to be accepted nor to be rejected: it is to be seen, and the valve aired out."""
ANSWERS = {
    "wet-and-leaking": ("seat-leak", "wet"),
    "intermittent-joint": ("high-resistance-joint",),
    "joint-fails-warm": ("high-resistance-joint",),
    "coil-fails-warm": ("open-coil",),
    "sticks-warm": ("sluggish",),
    "clears-after-clicks": ("sluggish",),
}
"""Causes that are right for a condition of another name, in the command line's spelling. A leak beside vapour may be
named or first be aired out."""
VERDICTS = ("accept", "reject", "undecided")


NEAR_STEP = 0.05
"""Width of the steps in which verdicts near a limit are counted."""


def _is_defective(result: Result) -> bool:
    return not result.entry.conforms and result.entry.condition != WET


def cause_is_right(result: Result) -> bool:
    """Whether the cause named is the condition, or one of those that are right for it."""
    judgement = result.judgement
    named = None if judgement is None else judgement.cause
    return named is not None and is_right(named, result.entry.condition)


def is_right(cause: str, condition: str) -> bool:
    """Whether a cause is right for a condition: the command line writes it with hyphens, a cause is named in words."""
    return cause.replace(" ", "-") in ANSWERS.get(condition, (condition,))


def kind_of_miss(result: Result) -> str:
    """What is not as it should be, in two words; empty when all is."""
    if result.judgement is None:
        return result.ending
    good = result.entry.conforms
    if result.entry.condition == WET:
        if result.verdict == "undecided":
            return "" if cause_is_right(result) else "undecided"
        return "false reject" if result.verdict == "reject" else "wet not seen"
    if result.verdict == "undecided":
        return "" if result.judgement.cause == WET and is_right(WET, result.entry.condition) else "undecided"
    if result.verdict == "accept":
        return "" if good else "false accept"
    if good:
        return "false reject"
    return "" if cause_is_right(result) else "other cause"


@dataclass(frozen=True)
class Tally:
    """All results of a rehearsal, by index. `asked` is how many valves there were to be."""

    results: tuple[Result, ...]
    asked: int

    @classmethod
    def of(cls, results: Iterable[Result], asked: int) -> Tally:
        """Put results in order."""
        return cls(tuple(sorted(results, key=lambda result: result.entry.index)), asked)

    @property
    def endings(self) -> tuple[str, ...]:
        """Verdicts, then whatever else a valve ended with."""
        found = {result.verdict for result in self.results}
        return (*VERDICTS, *sorted(found - set(VERDICTS)))

    @property
    def conditions(self) -> tuple[str, ...]:
        """The true conditions that came: the main ones in their order, then the others."""
        found = {result.entry.condition for result in self.results}
        return (*(name for name in MAIN if name in found), *sorted(found - set(MAIN)))

    def table(self) -> dict[str, dict[str, int]]:
        """True condition -> ending -> count."""
        counts = Counter((result.entry.condition, result.verdict) for result in self.results)
        return {name: {ending: counts[name, ending] for ending in self.endings} for name in self.conditions}

    def causes(self) -> dict[str, dict[str, int]]:
        """True condition -> cause named -> count, over the rejected."""
        counts: dict[str, Counter[str]] = {}
        for result in self.rejected():
            assert result.judgement is not None
            counts.setdefault(result.entry.condition, Counter())[str(result.judgement.cause)] += 1
        return {name: dict(counts[name].most_common()) for name in self.conditions if name in counts}

    def rejected(self) -> list[Result]:
        """Defective valves that were rejected."""
        return [each for each in self.results if each.verdict == "reject" and _is_defective(each)]

    def misses(self) -> list[Result]:
        """Every valve that is not as it should be, the worst sort first."""
        order = (
            "false accept",
            "false reject",
            "program fault",
            "worker lost",
            "bench fault",
            "wet not seen",
            "other cause",
        )
        missed = [result for result in self.results if kind_of_miss(result)]
        rank = {kind: number for number, kind in enumerate(order)}
        return sorted(missed, key=lambda each: (rank.get(kind_of_miss(each), len(order)), each.entry.index))

    def bench_seconds(self, share: float) -> Quantile | None:
        """Quantile of the bench seconds of the runs that finished."""
        return quantile([each.bench_seconds for each in self.results if each.bench_seconds is not None], share)

    def rates(self, chosen: Sequence[Result] | None = None) -> dict[str, Rate]:
        """The rates that matter, over all valves or those chosen.

        A valve that is merely wet counts as neither good nor defective.
        """
        among = self.results if chosen is None else chosen
        good = [each for each in among if each.entry.conforms]
        wet = [each for each in among if each.entry.condition == WET]
        bad = [each for each in among if _is_defective(each)]
        named = [each for each in bad if each.verdict == "reject" and each.entry.condition in MAIN]
        return {
            "false_accepts": Rate(sum(each.verdict == "accept" for each in bad), len(bad)),
            "false_rejects": Rate(sum(each.verdict == "reject" for each in good), len(good)),
            "undecided": Rate(sum(each.verdict == "undecided" for each in among), len(among)),
            "undecided_good": Rate(sum(each.verdict == "undecided" for each in good), len(good)),
            "undecided_defective": Rate(sum(each.verdict == "undecided" for each in bad), len(bad)),
            "cause_right": Rate(sum(map(cause_is_right, named)), len(named)),
            "no_verdict": Rate(sum(each.judgement is None for each in among), len(among)),
            "wet_named": Rate(sum(not kind_of_miss(each) for each in wet), len(wet)),
            "wet_rejected": Rate(sum(each.verdict == "reject" for each in wet), len(wet)),
        }

    def by_grade(self) -> dict[str, dict[str, Rate]]:
        """The rates of the defective valves by how bad they are; only grades that came."""
        return self._by(lambda each: grade(each.entry.severity), GRADES, lambda each: not each.entry.conforms)

    def near_limits(self) -> dict[str, dict[str, dict[str, int]]]:
        """Condition -> true value over the limit, in steps of `NEAR_STEP` -> ending -> count."""
        counts: dict[str, dict[str, Counter[str]]] = {}
        for each in self.results:
            if each.entry.of_limit is not None:
                low = math.floor(each.entry.of_limit / NEAR_STEP + 1e-9) * NEAR_STEP
                step = f"{low:.2f} to {low + NEAR_STEP:.2f}"
                counts.setdefault(each.entry.condition, {}).setdefault(step, Counter())[each.verdict] += 1
        return {
            condition: {step: {ending: found[step][ending] for ending in self.endings} for step in sorted(found)}
            for condition, found in sorted(counts.items())
        }

    def by_model(self) -> dict[str, dict[str, Rate]]:
        """The rates by valve model."""
        names = sorted({each.entry.model for each in self.results})
        return self._by(lambda each: each.entry.model, names, lambda each: True)

    def _by(
        self, of: Callable[[Result], str], names: Sequence[str], wanted: Callable[[Result], bool]
    ) -> dict[str, dict[str, Rate]]:
        groups = {name: [each for each in self.results if wanted(each) and of(each) == name] for name in names}
        return {name: self.rates(group) for name, group in groups.items() if group}
