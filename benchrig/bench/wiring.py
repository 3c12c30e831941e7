"""The order of switching, in one place.

Three rules hold in every state and on every way between two states:

1. The supply and the meter are never on the coil together: the one leaves before the other comes.
2. The pump is off before the vent opens, and runs only while the vent is closed; or, from a manifold without vacuum,
   with nothing but the isolation valve beside it, to draw fresh air through (`SWEEPING`).
3. A vacuum is not let back through the pump: the isolation valve closes before the pump stops.
"""

from __future__ import annotations

from benchrig.drivers.relay_board import Output

__all__ = ["AT_REST", "METERING", "SWEEPING", "allowed", "closed_up", "pumping", "way"]

AT_REST: frozenset[Output] = frozenset()
"""All outputs off: coil dead, pump off and isolated, vent open. The safe state."""

METERING = frozenset({Output.METER})
"""The multimeter on the coil."""

SWEEPING = frozenset({Output.PUMP, Output.ISOLATION})
"""The pump drawing fresh air in by the open vent, through reservoir and manifold."""


def pumping(*, coil: bool) -> frozenset[Output]:
    """Pump drawing on the closed manifold; `coil` says whether the valve is energised meanwhile."""
    return closed_up(coil=coil) | {Output.PUMP, Output.ISOLATION}


def closed_up(*, coil: bool) -> frozenset[Output]:
    """Manifold shut off from pump and vent, so that only the valve under test can let air in."""
    return frozenset({Output.VENT, Output.COIL} if coil else {Output.VENT})


def allowed(state: frozenset[Output]) -> bool:
    """Whether the rules allow a state.

    >>> allowed(frozenset({Output.COIL, Output.METER})), allowed(pumping(coil=True)), allowed(AT_REST)
    (False, True, True)
    """
    if {Output.COIL, Output.METER} <= state:
        return False
    return Output.PUMP not in state or Output.VENT in state or state <= SWEEPING


def way(start: frozenset[Output], end: frozenset[Output]) -> list[frozenset[Output]]:
    """The states to pass through from `start` to `end`, `end` included; empty when they are the same.

    Raises
    ------
    ValueError
        `end` itself breaks a rule: a bug in a step, not a fault of the bench.

    Examples
    --------
    >>> [sorted(o.name for o in state) for state in way(pumping(coil=False), AT_REST)]
    [['PUMP', 'VENT'], ['VENT'], []]
    """
    if not allowed(end):
        raise ValueError(f"forbidden state {sorted(o.name for o in end)}")
    states: list[frozenset[Output]] = []
    now = start

    def go(to: frozenset[Output]) -> None:
        nonlocal now
        if to != now:
            now = to
            states.append(to)

    leaving = now - end
    if Output.PUMP in now and Output.VENT in now ^ end:
        leaving |= now & {Output.PUMP, Output.ISOLATION}
    go(now - (leaving & {Output.COIL, Output.METER, Output.ISOLATION, Output.REFERENCE}))
    go(now - (leaving & {Output.PUMP}))
    go(now - (leaving & {Output.VENT}))
    coming = end - now
    go(now | (coming & {Output.VENT}))
    go(now | (coming & {Output.COIL, Output.METER, Output.ISOLATION, Output.REFERENCE}))
    go(end)
    return states
