"""A valve whose own limits nobody has: what general practice expects of any canister-purge valve."""

from __future__ import annotations

from benchrig.catalogue.valve_model import LimitTable, ValveModel
from benchrig.verdict.judgement import MODELS_UNKNOWN

__all__ = ["by_general_practice"]

PRACTICE = "general practice, no source"
LIMITS = (
    # Most coils for 12 V: 15 to 30 ohm.
    ("coil_resistance_20c_ohm", 15.0, 30.0),
    # The needle of a hand pump (some 30 mL with its hose) holds for ten seconds: 3 kPa would be seen to go.
    ("hold_leak_sccm", None, 5.0),
    # Opened, the needle of the same pump drops at once: 30 mL at 60 kPa are gone within a second.
    ("flow_at_rated_vacuum_lpm_anr", 1.0, None),
    # A click, heard at once.
    ("pull_in_time_ms", None, 60.0),
)
"""Characteristic, low, high: what is done by hand with a meter, a jump wire and a hand pump, put into figures. Common
practice, no source; what a needle shows is estimated from the pump's volume as said beside each."""


def by_general_practice(name: str = "unknown") -> ValveModel:
    """Limits in place of a model's own: they find a dead, stuck, leaking or blocked valve, and prove no good one.

    Parameters
    ----------
    name : {"unknown", "unknown-open"}
        The second one is for a valve that is open without current.

    Examples
    --------
    >>> valve = by_general_practice()
    >>> valve.general_practice, valve.limits[0].low, valve.limits[0].high
    (True, 15.0, 30.0)
    """
    normally = MODELS_UNKNOWN[name]
    return ValveModel(
        model=name,
        title=f"Model not known: general practice, normally {normally}",
        normally=normally,
        rated_vacuum_kpa=30.0,
        limit=tuple(LimitTable(name=name, low=low, high=high, limit_from=PRACTICE) for name, low, high in LIMITS),
        notes="Get the model's own limits where you can: a valve that meets these may still not meet its own.",
    )
