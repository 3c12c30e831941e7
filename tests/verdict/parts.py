"""Hand-made valves for the tests of the verdict: what a run would find on them. Figures are our own invention."""

from __future__ import annotations

from benchrig.analysis.results import Characteristic
from benchrig.verdict.cause import Evidence
from benchrig.verdict.judgement import Limit

UNITS = {
    "coil_resistance_20c_ohm": "ohm",
    "steady_current_a": "A",
    "hold_leak_sccm": "sccm",
    "flow_at_rated_vacuum_lpm_anr": "L/min ANR",
    "opening_delay_ms": "ms",
    "pull_in_time_ms": "ms",
    "drop_out_time_ms": "ms",
    "click_spread_ms": "ms",
}
LIMITS = (
    Limit("coil_resistance_20c_ohm", 22.0, 27.0, "made up"),
    Limit("hold_leak_sccm", None, 5.0, "made up"),
    Limit("flow_at_rated_vacuum_lpm_anr", 18.0, None, "made up"),
    Limit("opening_delay_ms", None, 30.0, "made up"),
    Limit("pull_in_time_ms", None, 18.0, "made up"),
    Limit("drop_out_time_ms", None, 25.0, "made up"),
    Limit("click_spread_ms", None, 2.0, "made up"),
)
U = {
    "coil_resistance_20c_ohm": 0.11,
    "steady_current_a": 0.002,
    "hold_leak_sccm": 0.12,
    "flow_at_rated_vacuum_lpm_anr": 0.4,
    "opening_delay_ms": 0.8,
    "pull_in_time_ms": 0.1,
    "drop_out_time_ms": 0.2,
    "click_spread_ms": 0.05,
}
GOOD = {
    "coil_resistance_20c_ohm": 24.5,
    "steady_current_a": 0.54,
    "hold_leak_sccm": 0.3,
    "flow_at_rated_vacuum_lpm_anr": 23.0,
    "opening_delay_ms": 11.0,
    "pull_in_time_ms": 9.0,
    "drop_out_time_ms": 9.0,
    "click_spread_ms": 0.2,
}
FLOW = ("flow_at_rated_vacuum_lpm_anr", "opening_delay_ms")
MOTION = ("drop_out_time_ms", "click_spread_ms")

Found = tuple[list[Characteristic], Evidence]


def measured(name: str, value: float, bound: str = "") -> Characteristic:
    return Characteristic(name, value, None if bound else U[name], UNITS[name], how="made up", bound=bound)  # type: ignore[arg-type]


def not_measured(name: str, why: str) -> Characteristic:
    return Characteristic(name, None, None, UNITS[name], how="", why_not=why)


def valve(changes: dict[str, Characteristic | float] | None = None, **evidence: object) -> Found:
    """A good valve, but for these changes."""
    found = {name: measured(name, value) for name, value in GOOD.items()}
    for name, change in (changes or {}).items():
        found[name] = change if isinstance(change, Characteristic) else measured(name, change)
    seen: dict[str, object] = {"moved_fraction": 1.0, "clicks": 10, "reached_vacuum_kpa": 60.0, "opened": True}
    return list(found.values()), Evidence(**{**seen, **evidence})  # type: ignore[arg-type]


def gone(*names: str, why: str) -> dict[str, Characteristic | float]:
    return {name: not_measured(name, why) for name in names}


def still() -> dict[str, Characteristic | float]:
    """No motion in any pulse."""
    return {
        "pull_in_time_ms": measured("pull_in_time_ms", 120.0, "above"),
        **gone(*MOTION, why="the armature did not move"),
    }


def condition(name: str, normally: str) -> Found:
    """What a run finds on a valve in one of the eight conditions, for either kind of model."""
    match name:
        case "good":
            return valve()
        case "open-coil":
            changes: dict[str, Characteristic | float] = {
                "coil_resistance_20c_ohm": measured("coil_resistance_20c_ohm", 100.0, "above"),
                "steady_current_a": 0.001,
                **gone(*FLOW, why="the coil is open: it cannot change the valve's state"),
                **still(),
            }
            if normally == "open":
                changes |= gone(
                    "hold_leak_sccm", why="a normally open valve is closed by its coil, and the coil is open"
                )
            reached = 60.0 if normally == "closed" else None
            return valve(changes, moved_fraction=0.0, clicks=3, opened=None, reached_vacuum_kpa=reached)
        case "shorted-turns":
            return valve({"coil_resistance_20c_ohm": 16.6, "steady_current_a": 0.79, "pull_in_time_ms": 8.0})
        case "stuck-closed":
            changes = {
                "flow_at_rated_vacuum_lpm_anr": 0.0,
                "opening_delay_ms": not_measured("opening_delay_ms", "never opened"),
            }
            return valve({**changes, **still()}, moved_fraction=0.0, opened=False)
        case "stuck-open":
            changes = {"hold_leak_sccm": 4100.0, **gone(*FLOW, why="nothing to open onto"), **still()}
            return valve(changes, moved_fraction=0.0, opened=None, reached_vacuum_kpa=1.1)
        case "seat-leak":
            return valve({"hold_leak_sccm": 63.0})
        case "restricted":
            return valve({"flow_at_rated_vacuum_lpm_anr": 7.0, "opening_delay_ms": 14.0})
        case "sluggish":
            slow = {"pull_in_time_ms": 31.0, "drop_out_time_ms": 35.0, "click_spread_ms": 1.4, "opening_delay_ms": 38.0}
            return valve(slow)
    raise AssertionError(name)
