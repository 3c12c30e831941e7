"""`benchrig analyse`: the run's own analysis on a trace from any oscilloscope or logger."""

from __future__ import annotations

import functools
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from benchrig.cli.output import as_json_option, emit, plain_console, speaks

if TYPE_CHECKING:
    from benchrig.application.trace_analysis import Surroundings, TraceAnalysis

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
    help="Standard uncertainty of the current probe's scale; for limits of ±a %, give a / 1.73.",
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
    from benchrig.application.trace_analysis import analyse_inrush_trace

    found = analyse_inrush_trace(
        trace,
        supply_v=supply_v,
        supply_u_v=supply_u_v,
        on_s=on_s,
        off_s=off_s,
        current_u_rel=current_u_percent / 100,
    )
    _tell(found, as_json)


def _reservoir(command: Any) -> Any:
    """The options that hold and flow share, handed on as `known`."""

    @functools.wraps(command)
    def gathered(
        *,
        volume_l: float,
        volume_u_percent: float,
        ambient_kpa: float,
        ambient_c: float,
        pressure_u_pa: float,
        time_constant_s: float | None,
        **more: Any,
    ) -> Any:
        from benchrig.application.trace_analysis import Surroundings

        known = Surroundings(volume_l, volume_u_percent, ambient_kpa, ambient_c, pressure_u_pa, time_constant_s)
        return command(known=known, **more)

    wrapped = gathered
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
                "axis. Default: 0; a hold that begins later is taken from its first sample.",
            ),
        )
    ):
        wrapped = option(wrapped)
    return wrapped


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
    known: Surroundings,
    from_s: float | None,
    background_sccm: float,
    background_u_sccm: float,
    as_json: bool,
) -> None:
    """Tell from the pressure in a reservoir, drawn down and shut off at time 0, how much leaks in.

    Columns: time_s,pressure_pa (absolute).
    """
    from benchrig.application.trace_analysis import analyse_hold_trace

    found = analyse_hold_trace(
        trace,
        known,
        from_s=from_s,
        background_sccm=background_sccm,
        background_u_sccm=background_u_sccm,
    )
    _tell(found, as_json)


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
    help="What an inflow of 1 g/s adds to the walls' heat conductance, W/K; left out, it is found from the fill.",
)
@click.option(
    "--inflow-u-percent", type=Finite(0, 1000), default=20.0, show_default=True, help="Its standard uncertainty."
)
@as_json_option
@speaks
def flow(
    trace: Path,
    known: Surroundings,
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
    from benchrig.application.trace_analysis import analyse_flow_trace

    found = analyse_flow_trace(
        trace,
        known,
        from_s=from_s,
        rated_vacuum_kpa=rated_vacuum_kpa,
        response_ms=response_ms,
        inflow_w_k=inflow_w_k,
        inflow_u_percent=inflow_u_percent,
    )
    _tell(found, as_json)


def _tell(found: TraceAnalysis, as_json: bool) -> None:
    if as_json:
        emit(found.document())
        return
    from rich.table import Table
    from rich.text import Text

    console = plain_console()
    if found.headline:
        console.print(Text(found.headline, style="bold"))
    table = Table(box=None, pad_edge=False, show_header=False)
    for each in found.values:
        if each.value is None:
            shown = Text("not measured", style="dim")
        elif each.u is None:
            shown = Text(f"{each.value:.4g} {each.unit}")
        else:
            shown = Text(f"{each.value:.4g} ± {2 * each.u:.2g} {each.unit}")
        table.add_row(each.title, shown)
    console.print(table)
    if found.notes:
        console.print()
    for note in found.notes:
        console.print(Text(f"  {note}"))
    click.echo("\n± is the expanded uncertainty, k = 2.", err=True)
