"""Every characteristic in one table: how it is written for people, what measures it, and what of the bench is in it.

The names are used alike in code, JSON, store and page; the titles are what a person reads on the terminal and the page.
To add one: a line here, and the step that finds it. Charts, studies, the control without the valve and the warm step
take it from here; what it says of a fault stands in `benchrig.verdict.evidence` and `benchrig.verdict.hypotheses`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

__all__ = ["CHARACTERISTICS", "About", "number_text", "title_of", "units_of_step", "with_unit"]


@dataclass(frozen=True)
class About:
    """One characteristic.

    Attributes
    ----------
    title, unit : str
        In plain words, and SI or the trade's unit.
    decimals : int
        Behind the point.
    step : str
        Which step of the sequence measures it.
    drifts : str
        What of the bench to look at, cheapest first, when the value of a known-good valve drifts.
    from_zero : bool
        It cannot be below zero: with an upper limit alone, its tolerance is as wide as that limit.
    mistaken_for : {"", "leak", "flow"}
        What of the bench would look the same: a leaking hose, a blocked one, or nothing.
    warm : str
        Name of the same measured with the coil warm; empty where it is not.
    """

    title: str
    unit: str
    decimals: int
    step: str
    drifts: str
    from_zero: bool = False
    mistaken_for: Literal["", "leak", "flow"] = ""
    warm: str = ""


_COIL = "meter leads and plug contacts; the meter against a reference resistor; the thermistor."
_RESERVOIR = "the transducer against barometer and deep vacuum; the reservoir (water, a changed hose)."
_FLOW = f"filter and hoses for dirt; {_RESERVOIR}"
_PULL_IN = "supply voltage; plug contacts; the current shunt."
_DROP_OUT = "the diode at the plug; supply voltage; the current shunt."

CHARACTERISTICS: Mapping[str, About] = MappingProxyType(
    {
        "coil_resistance_20c_ohm": About(
            "Coil resistance at 20 °C", "ohm", 2, "coil", _COIL, warm="coil_resistance_warm_ohm"
        ),
        "steady_current_a": About(
            "Steady current",
            "A",
            3,
            "clicks",
            "supply voltage; plug contacts; the current shunt against meter and reference resistor.",
        ),
        "hold_leak_sccm": About(
            "Hold leak",
            "sccm",
            2,
            "hold",
            f"hose joints and port seal; tightness of the closed bench; {_RESERVOIR}",
            from_zero=True,
            mistaken_for="leak",
        ),
        "flow_at_rated_vacuum_lpm_anr": About(
            "Flow at rated vacuum",
            "L/min ANR",
            1,
            "flow",
            _FLOW,
            mistaken_for="flow",
            warm="flow_at_rated_vacuum_warm_lpm_anr",
        ),
        "sonic_conductance_dm3_s_bar": About("Sonic conductance", "dm3/(s bar)", 3, "flow", _FLOW),
        "critical_pressure_ratio": About(
            "Critical pressure ratio", "", 2, "flow", "filter and hoses for dirt; the transducer."
        ),
        "opening_delay_ms": About(
            "Opening delay",
            "ms",
            1,
            "flow",
            "hoses for dirt; response of the transducer; supply voltage.",
            from_zero=True,
            mistaken_for="flow",
        ),
        "pull_in_time_ms": About("Pull-in time", "ms", 2, "clicks", _PULL_IN, warm="pull_in_time_warm_ms"),
        "drop_out_time_ms": About("Drop-out time", "ms", 2, "clicks", _DROP_OUT, warm="drop_out_time_warm_ms"),
        "click_spread_ms": About(
            "Click spread", "ms", 2, "clicks", "plug contacts; supply voltage under load.", from_zero=True
        ),
        "coil_resistance_warm_ohm": About("Coil resistance, warm", "ohm", 2, "warm", _COIL),
        "flow_at_rated_vacuum_warm_lpm_anr": About("Flow, warm", "L/min ANR", 1, "warm", _FLOW),
        "pull_in_time_warm_ms": About("Pull-in time, warm", "ms", 2, "warm", _PULL_IN),
        "drop_out_time_warm_ms": About("Drop-out time, warm", "ms", 2, "warm", _DROP_OUT),
    }
)
"""Every characteristic that the program knows, in the order in which people read them."""


def units_of_step(step: str) -> dict[str, str]:
    """What a step measures, each with its unit.

    Examples
    --------
    >>> units_of_step("hold")
    {'hold_leak_sccm': 'sccm'}
    """
    return {name: about.unit for name, about in CHARACTERISTICS.items() if about.step == step}


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
