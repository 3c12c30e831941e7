"""What was seen, as a few features with a plain sentence for each: what the likely cause is judged from."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from benchrig.analysis.characteristics import with_unit
from benchrig.verdict.conformity import limit_with_unit
from benchrig.verdict.judgement import Judged, Limit
from benchrig.verdict.wet import Vapour

__all__ = ["COIL", "Evidence", "Feature", "features"]

COIL = "coil_resistance_20c_ohm"

LITTLE_VACUUM_KPA = 10.0
"""With the pump running and no more vacuum than this, the valve is as good as open."""
SMALLEST = 0.01
"""Ratios below this say no more than this: a leak of nothing has no logarithm."""
CURRENT_FLOWS_A = 0.05
"""From there on current flows: a switched-off coil shows less, and a dead path too (engineering judgement)."""
LEAST_TOLD = 0.3
"""What clicks without a verdict on motion count at the least: a free armature nearly always shows (judgement)."""


@dataclass(frozen=True)
class Evidence:
    """What the run saw beside its characteristics. Leave out what was not looked at.

    Attributes
    ----------
    moved_fraction : float or None
        Share of the clicks in which the armature was seen to move; None when there were no clicks.
    clicks : int
        How many there were.
    still_fraction : float or None
        Share of the clicks in which it was seen not to move. In the remaining ones nothing could be told. None: all
        that did not move, if at least one moved or the pull-in time is only a bound; else none.
    reached_vacuum_kpa : float or None
        Vacuum that the pump reached on the valve in its closed state, below ambient.
    opened : bool or None
        Whether air came in when the valve was told to open; None when it was not tried or could not be told.
    load_ratio, load_ratio_u : float or None
        Resistance under load over that expected from the cold coil, from `steady_current_cross_check`.
    vapour : Vapour or None
        Fuel vapour that the hold showed.
    tested_at_c, warmed_to_c : float or None
        Temperature of the cold part, and that to which its coil heated itself for a second look, if there was one.
    heat_complained_of : bool
        Whether the customer's complaint speaks of heat.
    intermittent : bool
        Whether the meter found a path through the coil in some readings and none in others.
    """

    moved_fraction: float | None = None
    clicks: int = 0
    reached_vacuum_kpa: float | None = None
    opened: bool | None = None
    still_fraction: float | None = None
    load_ratio: float | None = None
    load_ratio_u: float | None = None
    vapour: Vapour | None = None
    tested_at_c: float | None = None
    warmed_to_c: float | None = None
    heat_complained_of: bool = False
    intermittent: bool = False


Kind = Literal[
    "coil path",
    "coil",
    "load",
    "moved",
    "hold",
    "hold above",
    "opened",
    "flow",
    "flow below",
    "pull-in",
    "drop-out",
    "opening",
    "spread",
]


@dataclass(frozen=True)
class Feature:
    """One thing seen.

    Attributes
    ----------
    kind : str
        What is looked at; each has its own shapes of likelihood in `cause`.
    value : float
        Usually the logarithm of a ratio to the limit; for ``moved`` the share of clicks, for ``opened`` 0 or 1, for
        ``coil path`` 0 none, 1 intermittent.
    said : str
        The same in plain words.
    weight : float
        Less than 1 where the reading is of a weaker sort.
    u : float
        Standard uncertainty of `value`, where it is not small against the width of the shapes.
    trials : int
        For ``moved``: the number of clicks.
    """

    kind: Kind
    value: float
    said: str
    weight: float = 1.0
    trials: int = 0
    u: float = 0.0


def features(judged: Sequence[Judged], evidence: Evidence) -> tuple[Feature, ...]:
    """Everything that was seen and can be compared; what was not measured is left out."""
    by_name = {each.characteristic.name: each for each in judged}
    found = [
        _coil(by_name.get(COIL), by_name.get("steady_current_a"), intermittent=evidence.intermittent),
        _load(evidence),
        _moved(evidence, by_name),
        _hold(by_name.get("hold_leak_sccm"), evidence),
        *_flow(by_name.get("flow_at_rated_vacuum_lpm_anr"), evidence),
        *(_time(by_name.get(name), kind, said) for name, kind, said in _TIMES),
    ]
    return tuple(feature for feature in found if feature is not None)


_TIMES: tuple[tuple[str, Kind, str], ...] = (
    ("pull_in_time_ms", "pull-in", "pull-in"),
    ("drop_out_time_ms", "drop-out", "drop-out"),
    ("opening_delay_ms", "opening", "opening"),
    ("click_spread_ms", "spread", "the spread from click to click"),
)


def _coil(judged: Judged | None, current: Judged | None, *, intermittent: bool) -> Feature | None:
    if judged is None:
        return None
    coil = judged.characteristic
    if coil.bound == "above":
        if _flows(current):
            return Feature("coil path", 1.0, "the meter found no path through the coil, yet current flows in clicks")
        return Feature("coil path", 0.0, "the meter finds no path through the coil")
    if coil.value is None:
        return Feature("coil path", 1.0, "the path through the coil comes and goes") if intermittent else None
    middle = _middle(judged.limit)
    if middle is None:
        return None
    share = max(coil.value / middle, SMALLEST)
    said = f"the coil measures {with_unit(coil.name, coil.value)}"
    if judged.limit is not None and _inside(coil.value, judged.limit):
        said += f", within {limit_with_unit(judged.limit)}"
    else:
        said += f", {_percent(share)} of the middle of its limits"
    return Feature("coil", math.log(share), said)


def _flows(current: Judged | None) -> bool:
    """Whether the clicks saw a current; not known counts as no."""
    return current is not None and (current.characteristic.value or 0.0) > CURRENT_FLOWS_A


def _load(evidence: Evidence) -> Feature | None:
    if evidence.load_ratio is None:
        return None
    return Feature(
        "load",
        math.log(max(evidence.load_ratio, SMALLEST)),
        f"under load the coil's resistance is {_percent(evidence.load_ratio)} of what the cold coil leads to",
        u=(evidence.load_ratio_u or 0.0) / max(evidence.load_ratio, SMALLEST),
    )


def _moved(evidence: Evidence, by_name: dict[str, Judged]) -> Feature | None:
    if evidence.moved_fraction is None or evidence.clicks < 1:
        return None
    moved = round(evidence.moved_fraction * evidence.clicks)
    pull_in = by_name.get("pull_in_time_ms")
    still = evidence.still_fraction
    if still is None:
        seen_still = pull_in is not None and pull_in.characteristic.bound == "above"
        still = 1.0 - evidence.moved_fraction if seen_still or moved else 0.0
    told = min(1.0, moved / evidence.clicks + still)
    said = f"the armature moved in {moved} of {evidence.clicks} clicks"
    if moved == 0 and _flows(by_name.get("steady_current_a")):
        said = f"the coil takes current but {said}"
    if told < 0.5:
        said = f"no motion could be told in {evidence.clicks - moved} of {evidence.clicks} clicks"
    # A click in which nothing could be told speaks weakly for a slow or blocked armature, and no more than that.
    return Feature("moved", moved / evidence.clicks, said, weight=max(LEAST_TOLD, told), trials=evidence.clicks)


def _hold(judged: Judged | None, evidence: Evidence) -> Feature | None:
    reached = evidence.reached_vacuum_kpa
    little = reached is not None and reached < LITTLE_VACUUM_KPA
    none_held = f"only {reached:.1f} kPa of vacuum could be drawn on the closed valve" if little else ""
    high = None if judged is None or judged.limit is None else judged.limit.high
    if judged is not None and judged.characteristic.value is not None and high:
        leak = judged.characteristic
        share = max(float(leak.value or 0.0) / high, SMALLEST)
        within = float(leak.value or 0.0) <= high
        times = "within its limit" if within else f"{share:.3g} times its limit"
        said = f"the closed valve leaks {leak.bound} {with_unit(leak.name, float(leak.value or 0.0))}, {times}"
        kind: Kind = "hold above" if leak.bound == "above" else "hold"
        return Feature(kind, math.log10(share), none_held or " ".join(said.split()))
    return Feature("hold above", 2.0, none_held) if little else None


def _flow(judged: Judged | None, evidence: Evidence) -> tuple[Feature | None, ...]:
    if evidence.opened is False:
        return (Feature("opened", 0.0, "no air came in when it was told to open"),)
    opened = Feature("opened", 1.0, "air came in when it was told to open") if evidence.opened else None
    if judged is None or judged.characteristic.value is None or judged.limit is None:
        return (opened,)
    low, high = judged.limit.low, judged.limit.high
    least = low if low else (high / 2 if high else None)
    if least is None or not least > 0.0:
        return (opened,)
    flow = judged.characteristic
    share = max(float(flow.value or 0.0) / least, SMALLEST)
    kind: Kind = "flow below" if flow.bound == "below" else "flow"
    said = f"its flow is {with_unit(flow.name, flow.value or 0.0)}"
    if low:
        said += f", {_percent(share)} of the least allowed"
    return (opened, Feature(kind, math.log(share), said))


def _time(judged: Judged | None, kind: Kind, called: str) -> Feature | None:
    if judged is None or judged.limit is None or judged.limit.high is None or not judged.limit.high > 0.0:
        return None
    found = judged.characteristic
    # A bound on a time means that no arrival was seen at all: that is told by the clicks themselves.
    if found.value is None or found.bound:
        return None
    share = max(found.value / judged.limit.high, SMALLEST)
    what = "is" if kind == "spread" else "takes"
    times = "within its limit" if found.value <= judged.limit.high else f"{share:.2g} times its limit"
    return Feature(kind, math.log(share), f"{called} {what} {with_unit(found.name, found.value)}, {times}")


def _middle(limit: Limit | None) -> float | None:
    if limit is None:
        return None
    sides = [side for side in (limit.low, limit.high) if side is not None]
    middle = math.fsum(sides) / len(sides) if sides else 0.0
    return middle if middle > 0.0 else None


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _inside(value: float, limit: Limit) -> bool:
    return (limit.low is None or value >= limit.low) and (limit.high is None or value <= limit.high)
