"""The table of words for what is measured: title, unit and decimals of every characteristic.

The names are used alike in code, JSON, store and page; the titles are what a person reads on the terminal and the page.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

__all__ = ["CHARACTERISTICS", "About", "number_text", "title_of", "with_unit"]


@dataclass(frozen=True)
class About:
    """How one characteristic is written for people: title in plain words, unit, decimals behind the point."""

    title: str
    unit: str
    decimals: int


CHARACTERISTICS: Mapping[str, About] = MappingProxyType(
    {
        "coil_resistance_20c_ohm": About("Coil resistance at 20 °C", "ohm", 2),
        "steady_current_a": About("Steady current", "A", 3),
        "hold_leak_sccm": About("Hold leak", "sccm", 2),
        "flow_at_rated_vacuum_lpm_anr": About("Flow at rated vacuum", "L/min ANR", 1),
        "sonic_conductance_dm3_s_bar": About("Sonic conductance", "dm3/(s bar)", 3),
        "critical_pressure_ratio": About("Critical pressure ratio", "", 2),
        "opening_delay_ms": About("Opening delay", "ms", 1),
        "pull_in_time_ms": About("Pull-in time", "ms", 2),
        "drop_out_time_ms": About("Drop-out time", "ms", 2),
        "click_spread_ms": About("Click spread", "ms", 2),
        "coil_resistance_warm_ohm": About("Coil resistance, warm", "ohm", 2),
        "flow_at_rated_vacuum_warm_lpm_anr": About("Flow, warm", "L/min ANR", 1),
        "pull_in_time_warm_ms": About("Pull-in time, warm", "ms", 2),
        "drop_out_time_warm_ms": About("Drop-out time, warm", "ms", 2),
    }
)
"""Every characteristic that the program knows, in the order in which people read them."""


def title_of(name: str) -> str:
    """The title in plain words; an unknown name is given back as it is.

    Examples
    --------
    >>> title_of("hold_leak_sccm")
    'Hold leak'
    """
    about = CHARACTERISTICS.get(name)
    return about.title if about is not None else name


def number_text(name: str, value: float) -> str:
    """The number as people read it: the table's decimals, or four figures for a name that is not in it.

    Values of 1000 and more lose their decimals: nothing on this bench is known so well.

    Examples
    --------
    >>> number_text("coil_resistance_20c_ohm", 25.6970), number_text("hold_leak_sccm", 4321.7)
    ('25.70', '4322')
    """
    about = CHARACTERISTICS.get(name)
    if about is None:
        return f"{value:.4g}"
    return f"{value:.0f}" if abs(value) >= 1000 else f"{value:.{about.decimals}f}"


def with_unit(name: str, value: float) -> str:
    """The number with its unit behind it.

    Examples
    --------
    >>> with_unit("coil_resistance_20c_ohm", 25.6970), with_unit("critical_pressure_ratio", 0.412)
    ('25.70 ohm', '0.41')
    """
    about = CHARACTERISTICS.get(name)
    unit = about.unit if about is not None else ""
    return f"{number_text(name, value)} {unit}".rstrip()
