"""How characters are spelled where an encoding does not have them."""

from __future__ import annotations

__all__ = ["SPELLED"]

SPELLED = {
    "✓": "+",
    "✗": "x",
    "○": "o",
    "·": ".",
    "±": "+-",
    "≤": "<=",
    "≥": ">=",
    "Ω": "ohm",
    "²": "2",
    "³": "3",
    "°": " deg",
    "…": "...",
    "━": "=",
    "─": "-",
    "–": "-",
    "—": "-",
    "−": "-",
    "×": "x",
    "µ": "u",
    "μ": "u",
    "σ": "s",
    "→": "->",
}
"""How a character is spelled where the terminal's encoding does not have it."""
