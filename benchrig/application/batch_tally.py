"""What has come of a batch so far: one line for each part, counted by verdict and by cause."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from benchrig.records import RunRecord

__all__ = ["BatchTally", "PartJudged", "judged"]


class PartJudged(NamedTuple):
    """One part of a batch that came to its verdict."""

    tag: str
    run: str
    verdict: str
    cause: str | None
    disposition: str
    bench_seconds: float | None


class BatchTally(NamedTuple):
    """The parts that have their verdict, in the order in which they were tested; a part tested again is there twice."""

    parts: tuple[PartJudged, ...] = ()
    left: tuple[str, ...] = ()
    """Tags of the list that have no verdict yet."""

    def count(self, verdict: str) -> int:
        """How many parts got this verdict."""
        return sum(part.verdict == verdict for part in self.parts)

    @property
    def seconds_per_valve(self) -> float | None:
        """Mean time on the bench, in s; None before the first part."""
        known = [part.bench_seconds for part in self.parts if part.bench_seconds is not None]
        return sum(known) / len(known) if known else None

    @property
    def causes(self) -> list[tuple[str, str, int]]:
        """Verdict, cause and how many, the most frequent first; only of parts that were not accepted."""
        seen = Counter(
            (part.verdict, part.cause or "no cause named") for part in self.parts if part.verdict != "accept"
        )
        return [(verdict, cause, number) for (verdict, cause), number in seen.most_common()]

    def document(self) -> dict[str, Any]:
        """As one JSON document."""
        return {
            "parts": [part._asdict() for part in self.parts],
            "accepted": self.count("accept"),
            "rejected": self.count("reject"),
            "undecided": self.count("undecided"),
            "seconds_per_valve": self.seconds_per_valve,
            "causes": [{"verdict": verdict, "cause": cause, "parts": n} for verdict, cause, n in self.causes],
            "left": list(self.left),
        }


def judged(record: RunRecord) -> PartJudged:
    """The line of a run that came to its end."""
    found = record.judgement
    assert found is not None  # for the type checker: a finished run has its verdict
    return PartJudged(record.tag, record.run, found.verdict, found.cause, found.disposition, record.bench_seconds)
