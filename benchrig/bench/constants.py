"""Every constant of a bench that a calibration can find: the one table from which all others read.

To add one: a line in `CONSTANTS` (and in `KINDS_OF_CALIBRATION` when it is a kind of its own), its two keys in
`benchrig.bench.file`, each with a default, and in the demo's ``bench.toml``, and its procedure as a module of
`benchrig.sequencer.calibration` that offers it in `METHODS`. Record, store, `bench show`, the command line and
`rehearse` take it from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

__all__ = ["CONSTANTS", "KINDS", "KINDS_OF_CALIBRATION", "BenchConstant", "Kind", "KindOfCalibration", "constant_named"]

Kind = Literal[
    "volume", "shunt", "transducer", "leads", "heat", "background", "inflow", "response", "scale"
]  # fmt: skip
KINDS: tuple[Kind, ...] = get_args(Kind)


Part = Literal["board", "meter", "reservoir", "transducer"]
"""A part of the bench that can be exchanged and has a number of its own (`benchrig.bench.exchanged_parts`)."""


@dataclass(frozen=True)
class KindOfCalibration:
    """One kind: the ways to calibrate it, the first being what is done when none is named.

    Attributes
    ----------
    made_with : tuple of str
        The parts of the bench that it rests on beside the bench itself: with one of them exchanged it counts no more.
    needed : bool
        Whether a run of a real bench needs it unless its bench file says otherwise. Those that are not sharpen a result
        whose uncertainty covers their being left out.
    lasts : {"valid_days", "background_days"}
        Key in ``[calibration]`` of the bench file: how long it counts.
    """

    kind: Kind
    ways: tuple[str, ...]
    made_with: tuple[Part, ...]
    needed: bool = True
    lasts: Literal["valid_days", "background_days"] = "valid_days"


KINDS_OF_CALIBRATION: dict[Kind, KindOfCalibration] = {
    each.kind: each
    for each in (
        KindOfCalibration("volume", ("vessel", "leak"), ("reservoir",)),
        KindOfCalibration("shunt", ("resistor",), ("board",)),
        KindOfCalibration("transducer", ("air",), ("board", "transducer")),
        KindOfCalibration("leads", ("short",), ("meter",)),
        KindOfCalibration("heat", ("recovery",), ("reservoir",)),
        KindOfCalibration("background", ("hold",), ("reservoir",), lasts="background_days"),
        KindOfCalibration("inflow", ("pulses",), ("reservoir",), needed=False),
        KindOfCalibration("response", ("vent",), ("board", "transducer"), needed=False),
        KindOfCalibration("scale", ("gauge",), ("board", "transducer"), needed=False),
    )
}


@dataclass(frozen=True)
class BenchConstant:
    """One constant: where it stands in the bench file, with which uncertainty, and how the record calls it.

    Attributes
    ----------
    kind : str
        The calibration that finds it.
    table, key, unit : str
        Where in the bench file its value is.
    u_key : str
        Where in the same table its standard uncertainty is.
    u_is : {"absolute", "percent", "pascals"}
        In which unit: that of the value, percent of the value, or pascals at the transducer.
    title : str
        What the record calls it.
    least : float
        The least that makes sense: calibrations below it are brought up to it.
    """

    kind: Kind
    table: str
    key: str
    unit: str
    u_key: str
    u_is: Literal["absolute", "percent", "pascals"]
    title: str
    least: float = float("-inf")

    @property
    def name(self) -> str:
        """Table and key, as calibrations in the store name it."""
        return f"{self.table} {self.key}"


CONSTANTS: tuple[BenchConstant, ...] = (
    BenchConstant("volume", "reservoir", "volume_l", "L", "u_percent", "percent", "reservoir volume", 0.01),
    BenchConstant("background", "background", "leak_sccm", "sccm", "u_sccm", "absolute", "background leak", 0.0),
    BenchConstant("heat", "heat", "time_constant_s", "s", "u_s", "absolute", "heat recovery time constant", 0.5),
    BenchConstant("heat", "heat", "chill_k", "K", "chill_u_k", "absolute", "chill of the gas by pumping", 0.0),
    BenchConstant(
        "heat", "heat", "outflow_w_k", "W/K", "outflow_u_w_k", "absolute", "heat conductance by outflow of 1 g/s", 0.0
    ),
    BenchConstant("shunt", "shunt", "volts_per_amp", "V/A", "u_percent", "percent", "coil current scale"),
    BenchConstant("transducer", "transducer", "offset_v", "V", "u_pa", "pascals", "transducer offset"),
    BenchConstant("leads", "meter", "lead_ohm", "ohm", "lead_u_ohm", "absolute", "meter leads", 0.0),
    BenchConstant(
        "inflow", "heat", "inflow_w_k", "W/K", "inflow_u_w_k", "absolute", "heat conductance by inflow of 1 g/s", 0.0
    ),
    BenchConstant(
        "inflow", "heat", "inflow_power", "", "inflow_power_u", "absolute", "heat conductance's power of the inflow"
    ),
    BenchConstant(
        "response", "transducer", "response_ms", "ms", "response_u_ms", "absolute", "transducer response", 0.01
    ),
    BenchConstant(
        "scale", "transducer", "volts_per_pa", "V/Pa", "scale_u_percent", "percent", "transducer scale", 1e-9
    ),
    BenchConstant("scale", "transducer", "offset_v", "V", "u_pa", "pascals", "transducer offset"),
)
"""A constant that two kinds find stands here twice; the later calibration counts."""


def constant_named(name: str) -> BenchConstant:
    """The constant with this table and key. Raises KeyError when there is none.

    >>> constant_named("heat inflow_w_k").unit
    'W/K'
    """
    for each in CONSTANTS:
        if each.name == name:
            return each
    raise KeyError(name)
