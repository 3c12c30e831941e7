"""What the accepted parts of each model measured lately: the values by which a part is put to its model."""

from __future__ import annotations

from collections.abc import Collection

import sqlalchemy as sa

from benchrig.records import tables

__all__ = ["usual_values"]

MOST_RUNS = 1000
"""Of the newest accepted runs of all models together."""


def usual_values(
    connection: sa.Connection, names: Collection[str], *, simulated: bool, but: int | None = None
) -> dict[str, dict[str, list[float]]]:
    """Values of accepted runs, newest first: model -> characteristic -> values, one of each tag.

    Parameters
    ----------
    names : collection of str
        Characteristics.
    simulated : bool
        Of simulated benches, or of real ones.
    but : int or None
        The number of a run that is left out.
    """
    r, s, c = tables.runs.c, tables.steps.c, tables.characteristics.c
    newest = (
        sa.select(r.id, r.model, r.tag)
        .where(r.verdict == "accept", r.reason != "check-valve", r.simulated == int(simulated), r.id != (but or 0))
        .order_by(r.id.desc())
        .limit(MOST_RUNS)
        .subquery()
    )
    query = (
        sa.select(newest.c.model, newest.c.tag, c.name, c.value)
        .join(tables.steps, s.run_id == newest.c.id)
        .join(tables.characteristics, c.step_id == s.id)
        .where(c.name.in_(sorted(names)), c.value.is_not(None), c.bound == "")
        .order_by(newest.c.id.desc())
    )
    found: dict[str, dict[str, list[float]]] = {}
    seen = set()
    for model, tag, name, value in connection.execute(query):
        if (model, tag, name) not in seen:
            seen.add((model, tag, name))
            found.setdefault(model, {}).setdefault(name, []).append(float(value))
    return found
