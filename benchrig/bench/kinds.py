"""The kinds of constants that a bench has calibrated."""

from __future__ import annotations

from typing import Literal, get_args

__all__ = ["KINDS", "Kind"]

Kind = Literal["volume", "shunt", "transducer", "leads", "heat", "background"]
KINDS: tuple[Kind, ...] = get_args(Kind)
