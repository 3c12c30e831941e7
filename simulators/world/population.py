"""Populations of fictional valves: models by their names, conditions by theirs. All figures are our own invention."""

from __future__ import annotations

import random

from simulators.world.models import MODELS, draw_good
from simulators.world.parameters import ValveParameters
from simulators.world.valve_conditions import CONDITIONS, spoil, spoil_to

__all__ = ["draw_valve"]


def draw_valve(
    model: str, condition: str, seed: int, *, severity: float | None = None, value: float | None = None
) -> ValveParameters:
    """Draw one valve.

    Parameters
    ----------
    model : str
        One of MODELS.
    condition : str
        One of CONDITIONS.
    seed : int
        The same valve every time for the same seed.
    severity : float or None
        How bad: 0 is just outside the model's own limits, 1 grossly bad. None draws a clearly bad one. Makes no
        difference to a good valve.
    value : float or None
        In place of a severity: the figure that the condition puts out of limits, see `conditions.spoil_to`.

    Returns
    -------
    ValveParameters
        A good valve, then spoilt by its condition.

    Raises
    ------
    ValueError
        No such model, condition or severity.

    Examples
    --------
    >>> draw_valve("cedar-44", "open-coil", 3).coil.r20_ohm
    inf
    >>> round(draw_valve("cedar-44", "seat-leak", 3, severity=0.0).port.leak_sccm, 2)
    3.45
    """
    if model not in MODELS:
        raise ValueError(f"No valve model is called {model!r}; there are {', '.join(MODELS)}.")
    if condition not in CONDITIONS:
        raise ValueError(f"No condition is called {condition!r}; there are {', '.join(CONDITIONS)}.")
    draw = random.Random(f"valve {model} {condition} {seed}")
    if value is not None:
        if severity is not None:
            raise ValueError("A severity and a value exclude each other: how bad is said once.")
        return spoil_to(draw_good(model, condition, draw), condition, draw, value)
    return spoil(draw_good(model, condition, draw), condition, draw, severity)
