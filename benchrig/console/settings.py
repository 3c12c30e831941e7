"""What a console is told when it is started: which bench, and how its page is reached. Handed to the bench process."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

from benchrig.application.batch import seed_of_tag
from benchrig.application.bench_choice import BenchChoice
from benchrig.application.model_choice import simulated_as
from benchrig.application.paths import model_folders
from benchrig.catalogue import Catalogue

__all__ = ["BenchSettings"]


@dataclass(frozen=True)
class BenchSettings:
    """Which bench the console works.

    Attributes
    ----------
    bench_file : str
        Empty: the workshop's own, or the simulated bench.
    simulated : str
        Condition of simulated valves that the page suggests; empty: a bench with ports.
    seed : int
        Of the simulated bench; which part is on it goes by the tag too.
    quick : bool
        Let the simulated seconds pass as fast as they are worked out.
    allow_uncalibrated : bool
        Go on without what the bench file asks for; every result is marked.
    """

    bench_file: str = ""
    simulated: str = ""
    seed: int = 1
    quick: bool = False
    allow_uncalibrated: bool = False

    def choice(self, model: str, tag: str, condition: str) -> BenchChoice:
        """The bench for one valve."""
        if not self.simulated:
            return BenchChoice(Path(self.bench_file) if self.bench_file else None)
        options: dict[str, object] = {"condition": condition or self.simulated, "seed": self.seed, "faults": []}
        if model:
            valve = Catalogue(model_folders()).get(model)
            options |= {"model": simulated_as(valve), "valve_seed": seed_of_tag(tag, self.seed)}
        return BenchChoice(simulated=options, paced=not self.quick)

    @property
    def store_seed(self) -> int | None:
        """What tells a simulated bench from another in the store; None for one with ports."""
        return self.seed if self.simulated else None

    def text(self) -> str:
        """As one argument of a command."""
        return json.dumps(asdict(self))

    @classmethod
    def read(cls, text: str) -> BenchSettings:
        """What `text` made."""
        return cls(**json.loads(text))
