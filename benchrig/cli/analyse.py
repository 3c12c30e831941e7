"""`benchrig analyse`: the run's own analysis on a trace from any oscilloscope or logger."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchrig.cli.output import as_json_option, emit, plain_console, speaks

if TYPE_CHECKING:
    from benchrig.tracefile import TimeAxis

__all__ = ["analyse"]


class Finite(click.FloatRange):
    """A number in a range, or any number; not-a-number and infinity are refused."""

    def _describe_range(self) -> str:
        """What may be typed, in words; click's own would say "x<=None" for any number."""
        if self.min is None and self.max is None:
            return "any number"
        if self.max is None:
            return f"{'over' if self.min_open else 'at least'} {self.min:g}"
        return f"{'over ' if self.min_open else ''}{self.min:g} to {self.max:g}"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Convert as usual, then look."""
        number = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value} is not a finite number.", param, ctx)
        return number


trace_file = click.argument("trace", type=click.Path(path_type=Path))


@click.group()
def analyse() -> None:
    """Analyse a trace in a CSV file: the same analysis as in a run."""


@analyse.command(epilog="Example:  benchrig analyse inrush scope.csv --supply-v 13.5 --off-s 0.12 --json")
@trace_file
@click.option(
    "--supply-v",
    type=Finite(0, 60, min_open=True),
    help="Voltage at the coil; a column voltage_v in the file goes before it.",
)
@click.option("--supply-u-v", type=Finite(0), default=0.05, show_default=True, help="Its standard uncertainty.")
@click.option(
    "--on-s",
    type=Finite(),
    default=0.0,
    show_default=True,
    help="When the coil was switched on, on the file's time axis.",
)
@click.option("--off-s", type=Finite(), help="When it was switched off, if the record goes on so long.")
@click.option(
    "--current-u-percent",
    type=Finite(0, 100),
    default=0.5,
    show_default=True,
    help="Standard uncertainty of the current probe's scale; of limits of a %, a divided by 1.73.",
)
@as_json_option
@speaks
def inrush(
    trace: Path,
    supply_v: float | None,
    supply_u_v: float,
    on_s: float,
    off_s: float | None,
    current_u_percent: float,
    as_json: bool,
) -> None:
    """Tell from the current of a coil whether the armature moved, and when it arrived.

    Columns: time_s,current_a and, if there, voltage_v. Time 0 is the switching on; a lead-in is welcome.
    """
    from benchrig.analysis.armature.inrush import analyse_inrush
    from benchrig.tracefile import check_current, check_one_pulse, check_voltage, pulse_axis, read_trace

    found = read_trace(trace, ("time_s", "current_a"), ("voltage_v",))
    axis = pulse_axis(trace, found["time_s"], on_s, off_s)
    check_current(trace, found["current_a"])
    if "voltage_v" in found:
        check_voltage(trace, found["voltage_v"], found["current_a"])
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
        current_u_rel=current_u_percent / 100,
    )
    names = {
        "pull_in_time_ms": ("Pull-in time", "ms"),
        "motion_start_ms": ("Motion starts", "ms"),
        "drop_out_time_ms": ("Drop-out time", "ms"),
        "steady_current_a": ("Steady current", "A"),
        "resistance_ohm": ("Resistance", "ohm"),
        "dip_a": ("Dip", "A"),
    }
    moved = {True: "yes", False: "no", None: "cannot tell"}[result.armature_moved]
    extra = {"armature_moved": result.armature_moved, "evidence": result.evidence}
    _tell(result, axis, names, extra, as_json, f"Armature moved: {moved}")


def _reservoir(command: Any) -> Any:
    """The options that hold and flow share."""
    for option in reversed(
        (
            click.option(
                "--volume-l",
                type=Finite(0, 1000, min_open=True),
                required=True,
                help="Reservoir with manifold and hoses.",
            ),
            click.option(
                "--volume-u-percent",
                type=Finite(0, 100),
                default=0.5,
                show_default=True,
                help="Its standard uncertainty.",
            ),
            click.option("--ambient-kpa", type=Finite(50, 110), required=True, help="Ambient pressure, absolute."),
            click.option("--ambient-c", type=Finite(-40, 60), required=True, help="Ambient temperature."),
            click.option("--pressure-u-pa", type=Finite(0), default=60.0, show_default=True, help="Of the transducer."),
            click.option(
                "--time-constant-s",
                type=Finite(0, 600, min_open=True),
                help="What is known of the heat recovery.",
            ),
            click.option(
                "--from-s",
                type=Finite(),
                help="When the reservoir was shut off (hold) or the valve told to open (flow), on the file's time "
                "axis. Left out: 0; a hold that begins later is taken from its first sample.",
            ),
        )
    ):
        command = option(command)
    return command


@analyse.command(
    epilog="Example:  benchrig analyse hold logger.csv --volume-l 0.5 --ambient-kpa 101.3 --ambient-c 22 --json"
)
@trace_file
@_reservoir
@click.option(
    "--background-sccm",
    type=Finite(0),
    default=0.0,
    show_default=True,
    help="What the closed bench leaks by itself.",
)
@click.option("--background-u-sccm", type=Finite(0), default=0.05, show_default=True, help="Its standard uncertainty.")
@as_json_option
@speaks
def hold(
    trace: Path,
    volume_l: float,
    volume_u_percent: float,
    ambient_kpa: float,
    ambient_c: float,
    pressure_u_pa: float,
    time_constant_s: float | None,
    from_s: float | None,
    background_sccm: float,
    background_u_sccm: float,
    as_json: bool,
) -> None:
    """Tell from the pressure in a reservoir, drawn down and shut off at time 0, how much leaks in.

    Columns: time_s,pressure_pa (absolute).
    """
    from benchrig.analysis.leak.hold_vacuum import analyse_hold
    from benchrig.tracefile import check_hold, check_pressure, hold_axis, read_trace

    found = read_trace(trace, ("time_s", "pressure_pa"))
    axis = hold_axis(trace, found["time_s"], from_s)
    check_pressure(trace, found["pressure_pa"], ambient_pa=ambient_kpa * 1000)
    check_hold(trace, axis.time_s, found["pressure_pa"])
    result = _analysed(
        trace,
        analyse_hold,
        axis.time_s,
        found["pressure_pa"],
        volume_m3=volume_l * 1e-3,
        volume_u_m3=volume_l * 1e-5 * volume_u_percent,
        ambient_pa=ambient_kpa * 1000,
        ambient_k=ambient_c + 273.15,
        background_sccm=background_sccm,
        background_u_sccm=background_u_sccm,
        pressure_u_pa=pressure_u_pa,
        thermal_time_constant_s=time_constant_s,
    )
    names = {
        "hold_leak_sccm": ("Hold leak", "sccm"),
        "pressure_rate_pa_s": ("Rise of pressure", "Pa/s"),
        "equivalent_orifice_mm": ("Same leak through a hole of", "mm"),
        "thermal_time_constant_s": ("Heat recovery time constant", "s"),
    }
    extra = {
        "decided_after_s": result.decided_after_s,
        "bound": result.bound,
        "explanation": result.explanation,
        "goodness": result.goodness,
        "vapour_probability": result.vapour_probability,
        "vapour_pa": result.vapour_pa,
        "vapour_time_constant_s": result.vapour_time_constant_s,
        "drift_k_s": result.drift_k_s,
        "parts": dict(result.parts),
    }
    _tell(result, axis, names, extra, as_json)


@analyse.command(
    epilog="Example:  benchrig analyse flow logger.csv --volume-l 0.5 --ambient-kpa 101.3 --ambient-c 22 --json"
)
@trace_file
@_reservoir
@click.option(
    "--rated-vacuum-kpa",
    type=Finite(0, 100, min_open=True),
    default=30.0,
    show_default=True,
    help="For the flow.",
)
@click.option("--response-ms", type=Finite(0, 1000), default=3.0, show_default=True, help="Of the transducer.")
@click.option(
    "--inflow-w-k",
    type=Finite(0, 1000),
    help="What an inflow of 1 g/s adds to the walls' heat conductance, W/K; left out, the fill must tell it.",
)
@click.option(
    "--inflow-u-percent", type=Finite(0, 1000), default=20.0, show_default=True, help="Its standard uncertainty."
)
@as_json_option
@speaks
def flow(
    trace: Path,
    volume_l: float,
    volume_u_percent: float,
    ambient_kpa: float,
    ambient_c: float,
    pressure_u_pa: float,
    time_constant_s: float | None,
    from_s: float | None,
    rated_vacuum_kpa: float,
    response_ms: float,
    inflow_w_k: float | None,
    inflow_u_percent: float,
    as_json: bool,
) -> None:
    """Tell from the pressure in a drawn-down reservoir how freely a valve, opened at time 0, lets air in.

    Columns: time_s,pressure_pa (absolute); a lead-in with negative times is welcome.
    """
    from benchrig.analysis.flow.open_flow import analyse_flow
    from benchrig.tracefile import check_fill, check_pressure, opening_axis, read_trace

    found = read_trace(trace, ("time_s", "pressure_pa"))
    axis = opening_axis(trace, found["time_s"], from_s)
    check_pressure(trace, found["pressure_pa"], ambient_pa=ambient_kpa * 1000)
    check_fill(trace, axis.time_s, found["pressure_pa"], ambient_pa=ambient_kpa * 1000)
    result = _analysed(
        trace,
        analyse_flow,
        axis.time_s,
        found["pressure_pa"],
        volume_m3=volume_l * 1e-3,
        volume_u_m3=volume_l * 1e-5 * volume_u_percent,
        ambient_pa=ambient_kpa * 1000,
        ambient_k=ambient_c + 273.15,
        rated_vacuum_pa=rated_vacuum_kpa * 1000,
        thermal_time_constant_s=time_constant_s,
        inflow_w_k=inflow_w_k,
        # an inflow that adds nothing is known to a hundredth of what is usual
        inflow_u_w_k=None if inflow_w_k is None else max(inflow_w_k * inflow_u_percent / 100, 0.01),
        response_s=response_ms * 1e-3,
        pressure_u_pa=pressure_u_pa,
    )
    names = {
        "sonic_conductance_dm3_s_bar": ("Sonic conductance", "dm3/(s bar)"),
        "critical_pressure_ratio": ("Critical pressure ratio", ""),
        "flow_at_rated_vacuum_lpm_anr": (f"Flow at {rated_vacuum_kpa:g} kPa vacuum", "L/min ANR"),
        "opening_delay_ms": ("Opening delay", "ms"),
    }
    extra = {"opened": result.opened, "why_not_measured": dict(result.why_not), "bounds": dict(result.bounds)}
    _tell(result, axis, names, extra, as_json)


def _analysed(trace: Path, analysis: Callable[..., Any], *arrays: Any, **known: Any) -> Any:
    """Run an analysis; a record that it cannot take is a file that is wrong, never a fault of the program."""
    from benchrig.errors import ConfigError

    try:
        return analysis(*arrays, **known)
    except (ValueError, ArithmeticError, LookupError, TypeError) as error:
        raise ConfigError(
            f"{trace}: nothing can be made of this record ({type(error).__name__}: {str(error)[:200]}).",
            hint="Does it show the event, with time around it and enough samples? Is the time of the event right? If "
            "so, please report it with the file: the program should say more.",
        ) from error


def _tell(
    result: Any,
    axis: TimeAxis,
    names: Mapping[str, tuple[str, str]],
    extra: Mapping[str, object],
    as_json: bool,
    first: str = "",
) -> None:
    notes = [*axis.notes, *result.notes]
    if as_json:
        document: dict[str, object] = {}
        for name in names:
            document[name] = getattr(result, name)
            document[f"{name}_u"] = getattr(result, f"{name}_u")
        emit({**document, **extra, "time_zero_s": axis.event_s, "notes": notes})
        return
    from rich.table import Table
    from rich.text import Text

    console = plain_console()
    if first:
        console.print(Text(first, style="bold"))
    table = Table(box=None, pad_edge=False, show_header=False)
    for name, (title, unit) in names.items():
        value, u = getattr(result, name), getattr(result, f"{name}_u")
        if value is None:
            shown = Text("not measured", style="dim")
        elif u is None:
            shown = Text(f"{value:.4g} {unit}")
        else:
            shown = Text(f"{value:.4g} ± {2 * u:.2g} {unit}")
        table.add_row(title, shown)
    console.print(table)
    if notes:
        console.print()
    for note in notes:
        console.print(Text(f"  {note}"))
    click.echo("\n± is the expanded uncertainty, k = 2.", err=True)
