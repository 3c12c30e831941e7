"""What each fault would look like: priors and shapes of likelihood, all of them engineering judgement.

No source gives these figures. They say in numbers what a mechanic would say in words, from how such a valve works:
an open coil has no path and never moves, shorted turns measure low, a blocked armature never moves though the coil is
sound, a leaking seat moves well but does not hold. Each is deliberately wide, and each keeps a share of its weight
spread evenly, so that no single odd reading rules a cause out. A workshop with enough repaired valves of known fault
should put counted figures in their place.

Units: the logarithm of the ratio to the limit (``coil``: to the middle of its limits; ``hold``: base 10, all others
natural). See `benchrig.verdict.evidence.Feature`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from benchrig.verdict.likelihood import Shape, floored, mix, normal, uniform

__all__ = ["CAUSES", "DOMAINS", "UNCLEAR", "Hypothesis", "hypotheses"]

UNCLEAR = "unclear"
CAUSES = (
    "open coil",
    "shorted turns",
    "stuck closed",
    "stuck open",
    "seat leak",
    "restricted",
    "sluggish",
    "high-resistance joint",
    "wrong part",
    UNCLEAR,
)
"""Every cause that can be named. The last stands for all that the program does not know of."""

DOMAINS: Mapping[str, tuple[float, float]] = {
    "coil": (-4.7, 3.0),
    "load": (-4.7, 2.0),
    "hold": (-3.0, 6.0),
    "flow": (-4.7, 2.0),
    "pull-in": (-4.7, 4.0),
    "drop-out": (-4.7, 4.0),
    "opening": (-4.7, 5.0),
    "spread": (-4.7, 4.0),
}
"""Over which range each feature can lie."""
FLOOR = 0.02
FLOOR_OF_COIL = 0.003
"""An ohmmeter is hardly ever wrong by much; the other readings now and then are."""

GOOD: Mapping[str, Shape] = {
    "coil": normal(0.0, 0.035),
    "load": normal(0.0, 0.02),
    "hold": normal(-1.3, 0.5),
    "flow": normal(math.log(1.3), 0.12),
    "pull-in": normal(math.log(0.5), 0.25),
    "drop-out": normal(math.log(0.36), 0.40),
    "opening": normal(math.log(0.4), 0.40),
    "spread": normal(math.log(0.15), 0.90),
}
OPEN_SEAT = normal(2.9, 0.6)
"""A valve that stands open lets in what the pump takes out: some hundreds of times the limit."""
NO_FLOW = mix((0.8, uniform(-4.7, -3.5)), (0.2, uniform(-4.7, -2.0)))
ANYTHING: Mapping[str, Shape] = {name: uniform(*domain) for name, domain in DOMAINS.items()}


@dataclass(frozen=True)
class Hypothesis:
    """One way in which a valve can be bad; several may share a name.

    Attributes
    ----------
    name : str
        One of `CAUSES`.
    prior : float
        How common it is among bad valves, before anything is measured. The priors sum to 1.
    moved : (float, float)
        Beta distribution of the chance that the armature is seen to move in a click.
    opened : float
        Chance that air comes in when the valve is told to open.
    no_path, intermittent : float
        Chances that the meter finds no path through the coil, and that it finds one now and then.
    shapes : mapping of str to Shape
        Where a feature differs from that of a good valve.
    """

    name: str
    prior: float
    moved: tuple[float, float] = (19.0, 1.0)
    opened: float = 0.985
    no_path: float = 0.003
    intermittent: float = 0.004
    shapes: Mapping[str, Shape] = field(default_factory=dict)

    def density(self, kind: str, value: float) -> float:
        """Likelihood density of a feature."""
        floor = FLOOR_OF_COIL if kind == "coil" else FLOOR
        return floored(self.shapes.get(kind, GOOD[kind]), floor, *DOMAINS[kind])(value)


def hypotheses(normally: Literal["closed", "open"]) -> tuple[Hypothesis, ...]:
    """All hypotheses for a model that stands closed, or open, without current.

    Without enough pull a normally closed valve does not open, and a normally open one does not close: the same fault of
    the coil shows in the flow of one and in the hold of the other.
    """
    closed = normally == "closed"

    def weak(share: float) -> dict[str, Shape]:
        """A coil that fails to pull in this share of the cases."""
        return {} if closed else {"hold": mix((1.0 - share, GOOD["hold"]), (share, OPEN_SEAT))}

    def opens(share: float) -> float:
        return 1.0 - share if closed else 0.985

    slow_pull = normal(math.log(1.5), 0.5)
    slow_drop = normal(math.log(1.3), 0.6)
    slow_open = normal(math.log(1.0), 0.6)
    # Dirt makes each click different; mere damping makes them all alike.
    jittery = mix((0.5, normal(math.log(0.6), 1.0)), (0.5, normal(math.log(0.1), 1.2)))
    pull_opens, drop_opens = ("pull-in", "drop-out") if closed else ("drop-out", "pull-in")

    def sluggish(prior: float, *, pull: bool, drop: bool) -> Hypothesis:
        shapes: dict[str, Shape] = {"spread": jittery}
        if pull:
            shapes["pull-in"] = slow_pull
        if drop:
            shapes["drop-out"] = slow_drop
        if (pull_opens in shapes) or (drop and pull):
            shapes["opening"] = slow_open
        return Hypothesis("sluggish", prior, moved=(1.2, 0.6), opened=0.95, shapes=shapes)

    in_play: dict[str, Shape] = {
        "pull-in": normal(math.log(0.4), 0.7),
        "drop-out": normal(math.log(0.4), 0.7),
        "opening": normal(math.log(0.4), 0.7),
        "spread": mix((0.6, normal(math.log(3.0), 1.2)), (0.4, normal(math.log(0.05), 0.8))),
    }
    played = mix((0.8, uniform(-4.0, -0.3)), (0.2, uniform(-4.7, -2.0)))
    unheard = {name: ANYTHING[name] for name in ("pull-in", "drop-out", "opening", "spread")}
    return (
        Hypothesis(
            "open coil",
            0.12,
            moved=(0.3, 20.0),
            opened=0.02 if closed else 0.985,
            no_path=0.93,
            intermittent=0.04,
            shapes={**unheard, **weak(0.97), "coil": ANYTHING["coil"], "load": ANYTHING["load"], "flow": NO_FLOW}
            if closed
            else {**unheard, **weak(0.97), "coil": ANYTHING["coil"], "load": ANYTHING["load"]},
        ),
        Hypothesis(
            "shorted turns",
            0.09,
            moved=(5.0, 1.0),
            opened=opens(0.1),
            shapes={
                **weak(0.1),
                "coil": mix((0.65, normal(-0.40, 0.13)), (0.25, uniform(-1.6, -0.08)), (0.10, uniform(-4.7, -1.0))),
                "load": mix((0.7, normal(0.0, 0.03)), (0.3, normal(-0.08, 0.06))),
                "pull-in": normal(math.log(0.55), 0.40),
                "drop-out": normal(math.log(0.45), 0.55),
                "opening": normal(math.log(0.45), 0.50),
            },
        ),
        Hypothesis("stuck closed", 0.08, moved=(0.5, 15.0), opened=0.02, shapes={**unheard, "flow": NO_FLOW}),
        # Jammed with a little play: some air comes past, and at once, but no stroke is seen. A valve that is merely
        # clogged moves as freely as a good one.
        Hypothesis(
            "stuck closed",
            0.01,
            moved=(0.5, 6.0),
            opened=0.85,
            shapes={**unheard, "flow": played},
        ),
        # The same with the little stroke seen as motion, as it mostly is: its times scatter, or are all alike and
        # shorter than a whole stroke's.
        Hypothesis("stuck closed", 0.04, moved=(4.0, 0.8), opened=0.85, shapes={**in_play, "flow": played}),
        Hypothesis("stuck open", 0.09, moved=(0.5, 15.0), shapes={**unheard, "hold": OPEN_SEAT}),
        Hypothesis("stuck open", 0.04, moved=(1.2, 0.6), shapes={**in_play, "hold": OPEN_SEAT}),
        Hypothesis(
            "seat leak",
            0.19,
            shapes={"hold": mix((0.65, normal(1.0, 0.5)), (0.25, uniform(-0.1, 1.0)), (0.10, uniform(1.0, 4.0)))},
        ),
        Hypothesis(
            "restricted",
            0.12,
            opened=0.93,
            shapes={
                "flow": mix((0.7, normal(-1.0, 0.45)), (0.3, uniform(-0.6, 0.02))),
                "opening": normal(math.log(0.5), 0.55),
            },
        ),
        sluggish(0.06, pull=True, drop=True),
        sluggish(0.03, pull=pull_opens == "pull-in", drop=drop_opens == "pull-in"),
        sluggish(0.03, pull=pull_opens != "pull-in", drop=drop_opens != "pull-in"),
        Hypothesis(
            "high-resistance joint",
            0.02,
            moved=(4.0, 1.0),
            opened=opens(0.2),
            no_path=0.03,
            intermittent=0.20,
            shapes={
                **weak(0.2),
                "coil": mix((0.5, normal(0.35, 0.20)), (0.5, uniform(0.08, 1.6))),
                "load": mix((0.7, normal(0.0, 0.03)), (0.3, uniform(-0.3, 0.8))),
                "pull-in": normal(math.log(0.8), 0.40),
            },
        ),
        Hypothesis(
            "high-resistance joint",
            0.015,
            moved=(2.0, 1.0),
            opened=opens(0.4),
            no_path=0.02,
            intermittent=0.10,
            shapes={
                **weak(0.4),
                "load": mix((0.5, uniform(0.03, 0.3)), (0.5, uniform(0.03, 1.5))),
                "pull-in": normal(math.log(0.8), 0.50),
            },
        ),
        # A joint that leaves too little current to move anything: the armature is as still as a stuck one, and the
        # meter, or the current itself, says why.
        Hypothesis(
            "high-resistance joint",
            0.01,
            moved=(0.5, 15.0),
            opened=opens(0.95),
            no_path=0.02,
            intermittent=0.10,
            shapes={
                **unheard,
                **weak(0.95),
                "coil": uniform(0.15, 2.5),
                "load": mix((0.7, normal(0.0, 0.03)), (0.3, uniform(0.0, 2.0))),
                **({"flow": NO_FLOW} if closed else {}),
            },
        ),
        Hypothesis(
            "high-resistance joint",
            0.005,
            moved=(0.5, 15.0),
            opened=opens(0.95),
            no_path=0.02,
            intermittent=0.10,
            shapes={**unheard, **weak(0.95), "load": uniform(0.15, 2.0), **({"flow": NO_FLOW} if closed else {})},
        ),
        # Another valve: its coil and its size are anyone's guess, and it works.
        Hypothesis(
            "wrong part",
            0.03,
            moved=(12.0, 1.0),
            shapes={
                "coil": uniform(-0.8, 1.0),
                "flow": uniform(-1.5, 1.2),
                "pull-in": normal(math.log(0.5), 0.5),
            },
        ),
        # A valve of the other kind: open when it should be closed, and it moves on every click.
        Hypothesis(
            "wrong part",
            0.01,
            moved=(12.0, 1.0),
            opened=0.02,
            shapes={"coil": mix((0.5, GOOD["coil"]), (0.5, uniform(-0.8, 1.0))), "hold": OPEN_SEAT, "flow": NO_FLOW},
        ),
        Hypothesis(
            UNCLEAR,
            0.01,
            moved=(1.0, 1.0),
            opened=0.6,
            no_path=0.10,
            intermittent=0.10,
            shapes={name: mix((0.4, shape), (0.6, ANYTHING[name])) for name, shape in GOOD.items()},
        ),
    )
