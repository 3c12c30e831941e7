"""The run's own analysis on a trace from any oscilloscope or logger: file in, values with uncertainty out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchrig.analysis.results import Samples
from benchrig.errors import ConfigError
from benchrig.tracefile import (
    TimeAxis,
    check_fill,
    check_hold,
    check_one_pulse,
    check_traced_current,
    check_traced_pressure,
    check_traced_voltage,
    hold_axis,
    opening_axis,
    pulse_axis,
    read_trace,
)

__all__ = [
    "Surroundings",
    "TraceAnalysis",
    "TraceValue",
    "analyse_flow_trace",
    "analyse_hold_trace",
    "analyse_inrush_trace",
]


@dataclass(frozen=True)
class TraceValue:
    """One value that was found, with its standard uncertainty; None: not measured, or not known how well."""

    name: str
    title: str
    unit: str
    value: float | None
    u: float | None


@dataclass(frozen=True)
class TraceAnalysis:
    """What was found in one trace.

    Attributes
    ----------
    values : tuple of TraceValue
        In the order to show them.
    more : mapping
        What else a program may want to know, by its JSON key.
    time_zero_s : float
        The instant of the event on the file's time axis.
    notes : tuple of str
        What a reader has to know.
    headline : str
        The answer in words, where there is one.
    """

    values: tuple[TraceValue, ...]
    more: Mapping[str, object]
    time_zero_s: float
    notes: tuple[str, ...]
    headline: str = ""

    def document(self) -> dict[str, object]:
        """All of it for JSON."""
        found: dict[str, object] = {}
        for each in self.values:
            found[each.name] = each.value
            found[f"{each.name}_u"] = each.u
        return {**found, **self.more, "time_zero_s": self.time_zero_s, "notes": list(self.notes)}


@dataclass(frozen=True)
class Surroundings:
    """What is known of a reservoir and of the air around it; uncertainties are standard ones.

    Attributes
    ----------
    volume_l, volume_u_percent : float
        Reservoir with manifold and hoses.
    ambient_kpa, ambient_c : float
        Absolute pressure and temperature of the room.
    pressure_u_pa : float
        Of the transducer.
    time_constant_s : float or None
        Of the heat recovery, if known.
    """

    volume_l: float
    volume_u_percent: float
    ambient_kpa: float
    ambient_c: float
    pressure_u_pa: float
    time_constant_s: float | None

    @property
    def ambient_pa(self) -> float:
        """Absolute pressure of the room in pascals."""
        return self.ambient_kpa * 1000

    def for_analysis(self) -> dict[str, Any]:
        """The same as the analyses of hold and flow take it, in SI units."""
        return {
            "volume_m3": self.volume_l * 1e-3,
            "volume_u_m3": self.volume_l * 1e-5 * self.volume_u_percent,
            "ambient_pa": self.ambient_pa,
            "ambient_k": self.ambient_c + 273.15,
            "pressure_u_pa": self.pressure_u_pa,
            "thermal_time_constant_s": self.time_constant_s,
        }


def analyse_inrush_trace(
    trace: Path, *, supply_v: float | None, supply_u_v: float, on_s: float, off_s: float | None, current_u_rel: float
) -> TraceAnalysis:
    """Whether the armature moved, and when: columns time_s, current_a and, if there, voltage_v.

    Parameters
    ----------
    trace : Path
        CSV file.
    supply_v, supply_u_v : float or None, float
        Voltage at the coil and its standard uncertainty, volts; a column voltage_v goes before it.
    on_s, off_s : float, float or None
        When the coil was switched on and off, on the file's time axis.
    current_u_rel : float
        Relative standard uncertainty of the probe's scale.

    Raises
    ------
    ConfigError
        The file cannot be read, or shows something else.
    """
    from benchrig.analysis.armature.inrush import analyse_inrush

    found = read_trace(trace, ("time_s", "current_a"), ("voltage_v",))
    axis = pulse_axis(trace, found["time_s"], on_s, off_s)
    check_traced_current(trace, found["current_a"])
    if "voltage_v" in found:
        check_traced_voltage(trace, found["voltage_v"], found["current_a"])
    check_one_pulse(trace, axis.time_s, found["current_a"])
    result = _analysed(
        trace,
        analyse_inrush,
        axis.time_s,
        found["current_a"],
        supply_v=supply_v,
        supply_u_v=supply_u_v,
        voltage_v=found.get("voltage_v"),
        on_s=0.0,
        off_s=None if off_s is None else off_s - axis.event_s,
        current_u_rel=current_u_rel,
    )
    moved = {True: "yes", False: "no", None: "cannot tell"}[result.armature_moved]
    return _found(
        result,
        axis,
        {
            "pull_in_time_ms": ("Pull-in time", "ms"),
            "motion_start_ms": ("Motion starts", "ms"),
            "drop_out_time_ms": ("Drop-out time", "ms"),
            "steady_current_a": ("Steady current", "A"),
            "resistance_ohm": ("Resistance", "ohm"),
            "dip_a": ("Dip", "A"),
        },
        {"armature_moved": result.armature_moved, "evidence": result.evidence},
        f"Armature moved: {moved}",
    )


def analyse_hold_trace(
    trace: Path, known: Surroundings, *, from_s: float | None, background_sccm: float, background_u_sccm: float
) -> TraceAnalysis:
    """How much leaks into a reservoir that was drawn down and shut off: columns time_s, pressure_pa.

    Parameters
    ----------
    trace : Path
        CSV file.
    known : Surroundings
        Reservoir and room.
    from_s : float or None
        When it was shut off, on the file's time axis; None: 0, or the first sample after it.
    background_sccm, background_u_sccm : float
        What the closed bench leaks by itself, with its standard uncertainty.

    Raises
    ------
    ConfigError
        The file cannot be read, or shows something else.
    """
    from benchrig.analysis.leak.hold_vacuum import analyse_hold

    axis, pressure_pa = _pressure(trace, known, hold_axis, from_s)
    check_hold(trace, axis.time_s, pressure_pa)
    result = _analysed(
        trace,
        analyse_hold,
        axis.time_s,
        pressure_pa,
        background_sccm=background_sccm,
        background_u_sccm=background_u_sccm,
        **known.for_analysis(),
    )
    return _found(
        result,
        axis,
        {
            "hold_leak_sccm": ("Hold leak", "sccm"),
            "pressure_rate_pa_s": ("Rise of pressure", "Pa/s"),
            "equivalent_orifice_mm": ("Same leak through a hole of", "mm"),
            "thermal_time_constant_s": ("Heat recovery time constant", "s"),
        },
        {
            "decided_after_s": result.decided_after_s,
            "bound": result.bound,
            "explanation": result.explanation,
            "goodness": result.goodness,
            "vapour_probability": result.vapour_probability,
            "vapour_pa": result.vapour_pa,
            "vapour_time_constant_s": result.vapour_time_constant_s,
            "drift_k_s": result.drift_k_s,
            "parts": dict(result.parts),
        },
    )


def analyse_flow_trace(
    trace: Path,
    known: Surroundings,
    *,
    from_s: float | None,
    rated_vacuum_kpa: float,
    response_ms: float,
    inflow_w_k: float | None,
    inflow_u_percent: float,
) -> TraceAnalysis:
    """How freely a valve, opened onto a drawn-down reservoir, lets air in: columns time_s, pressure_pa.

    Parameters
    ----------
    trace : Path
        CSV file.
    known : Surroundings
        Reservoir and room.
    from_s : float or None
        When the valve was told to open, on the file's time axis; None: 0.
    rated_vacuum_kpa : float
        For the flow.
    response_ms : float
        Time constant of the transducer.
    inflow_w_k, inflow_u_percent : float or None, float
        What an inflow of 1 g/s adds to the walls' heat conductance, W/K, with its standard uncertainty; None: the fill
        must tell it.

    Raises
    ------
    ConfigError
        The file cannot be read, or shows something else.
    """
    from benchrig.analysis.flow.open_flow import analyse_flow

    axis, pressure_pa = _pressure(trace, known, opening_axis, from_s)
    check_fill(trace, axis.time_s, pressure_pa, ambient_pa=known.ambient_pa)
    result = _analysed(
        trace,
        analyse_flow,
        axis.time_s,
        pressure_pa,
        rated_vacuum_pa=rated_vacuum_kpa * 1000,
        inflow_w_k=inflow_w_k,
        # an inflow that adds nothing is known to a hundredth of what is usual
        inflow_u_w_k=None if inflow_w_k is None else max(inflow_w_k * inflow_u_percent / 100, 0.01),
        response_s=response_ms * 1e-3,
        **known.for_analysis(),
    )
    return _found(
        result,
        axis,
        {
            "sonic_conductance_dm3_s_bar": ("Sonic conductance", "dm3/(s bar)"),
            "critical_pressure_ratio": ("Critical pressure ratio", ""),
            "flow_at_rated_vacuum_lpm_anr": (f"Flow at {rated_vacuum_kpa:g} kPa vacuum", "L/min ANR"),
            "opening_delay_ms": ("Opening delay", "ms"),
        },
        {"opened": result.opened, "why_not_measured": dict(result.why_not), "bounds": dict(result.bounds)},
    )


def _pressure(
    trace: Path, known: Surroundings, axis_of: Callable[[Path, Samples, float | None], TimeAxis], from_s: float | None
) -> tuple[TimeAxis, Samples]:
    """Time axis and pressure of a record, once both make sense."""
    found = read_trace(trace, ("time_s", "pressure_pa"))
    axis = axis_of(trace, found["time_s"], from_s)
    check_traced_pressure(trace, found["pressure_pa"], ambient_pa=known.ambient_pa)
    return axis, found["pressure_pa"]


def _analysed(trace: Path, analysis: Callable[..., Any], *arrays: Any, **known: Any) -> Any:
    """Run an analysis; a record that it cannot take is a file that is wrong, never a fault of the program."""
    try:
        return analysis(*arrays, **known)
    except (ValueError, ArithmeticError, LookupError, TypeError) as error:
        raise ConfigError(
            f"{trace}: nothing can be made of this record ({type(error).__name__}: {str(error)[:200]}).",
            hint="Does it show the event, with time around it and enough samples? Is the time of the event right? If "
            "so, please report it with the file: the program should say more.",
        ) from error


def _found(
    result: Any,
    axis: TimeAxis,
    titles: Mapping[str, tuple[str, str]],
    more: Mapping[str, object],
    headline: str = "",
) -> TraceAnalysis:
    values = tuple(
        TraceValue(name, title, unit, getattr(result, name), getattr(result, f"{name}_u"))
        for name, (title, unit) in titles.items()
    )
    return TraceAnalysis(values, more, axis.event_s, (*axis.notes, *result.notes), headline)
