"""Where the two engines say the same in other words."""

from __future__ import annotations

import sqlalchemy as sa

__all__ = ["holds"]


def holds(connection: sa.Connection, column: str, what: str) -> str:
    """A condition in SQL: the text of a column holds another text."""
    return f"{'instr' if connection.dialect.name == 'sqlite' else 'strpos'}({column}, {what}) > 0"
