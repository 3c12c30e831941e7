"""Populations of benches: what is true of one whose file states the demo bench's figures. All are our own invention."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace

from simulators.noise import normal, within
from simulators.world.parameters import BenchParameters, InstrumentErrors

__all__ = ["COIL_U_K", "draw_bench", "draw_instruments", "draw_stated", "overridden", "with_tank"]

TRANSDUCER_V_PER_PA = 25.0e-6
HELD_J_K = 41_325.0 * 0.5e-3 / (0.4 * 295.15)
"""Heat capacity of the air in the reservoir at 60 kPa of vacuum: over the wall's conductance it is the heat recovery
time constant that the bench file states."""
TANK_M3 = 2.0e-3
COIL_U_K = 1.0
"""A part that has lain beside the bench is off the room's temperature by this, standard deviation (our own figure)."""


def draw_instruments(seed: int, *, spread: float = 1.0) -> InstrumentErrors:
    """Draw the errors of one bench's instruments.

    Parameters
    ----------
    seed : int
        The same errors every time.
    spread : float
        1 keeps each within what the demo bench file states (its u_... twice at most). More makes them larger by that
        factor, and adds errors of slope and zero to transducer, thermistor and meter.
    """

    def error(half_width: float, stream: int, part: float = spread) -> float:
        return part * within(half_width, seed=seed, stream=stream)

    more = max(0.0, spread - 1.0)
    return InstrumentErrors(
        shunt_gain=1.0 + error(0.003, 120),
        shunt_offset_v=error(0.5e-3, 140),
        transducer_gain=1.0 + error(1.0e-3, 160, more),
        transducer_offset_pa=error(60.0, 161, more),
        transducer_pin_gain=1.0 + error(2.0e-4, 121),
        transducer_pin_offset_v=error(35.0 * TRANSDUCER_V_PER_PA, 141),
        divider_gain=1.0 + error(0.005, 122),
        divider_offset_v=error(0.5e-3, 142),
        thermistor_offset_k=error(0.5, 162, more),
        thermistor_pin_gain=1.0 + error(0.001, 123),
        thermistor_pin_offset_v=error(0.5e-3, 143),
        meter_gain=1.0 + error(2e-4, 163, more),
        meter_zero_ohm=error(0.004, 164, more),
    )


def draw_bench(seed: int, *, spread: float = 1.0) -> BenchParameters:
    """Draw one bench as it really is.

    Parameters
    ----------
    seed : int
        The same bench every time.
    spread : float
        How far from the file: at 0 the bench is as the file says; at 1 volume, line leak, heat and instruments differ
        by no more than the file states, and what no file states (pump, source resistance, walls, wires) by a little;
        more widens all of it by that factor, for a calibration to find.

    Raises
    ------
    ValueError
        The spread is not between 0 and 10.

    Examples
    --------
    >>> draw_bench(3, spread=0.0).volume_m3
    0.0005
    >>> 0.99 < draw_bench(3).volume_m3 / 0.0005 < 1.01
    True
    """
    if not 0.0 <= spread <= 10.0:
        raise ValueError(f"The spread of a bench lies between 0 and 10; {spread!r} does not.")
    middle = BenchParameters()

    def error(half_width: float, stream: int) -> float:
        return spread * within(half_width, seed=seed, stream=stream)

    def about(value: float, part: float, stream: int) -> float:
        return value * max(0.1, 1.0 + error(part, stream))

    return replace(
        middle,
        volume_m3=about(middle.volume_m3, 0.005, 300),
        line_leak_sccm=max(0.0, middle.line_leak_sccm + error(0.05, 301)),
        supply_open_v=about(middle.supply_open_v, 0.01, 302),
        source_ohm=about(middle.source_ohm, 0.10, 303),
        lead_ohm=about(middle.lead_ohm, 0.15, 304),
        four_wire_ohm=abs(error(0.002, 305)),
        wall_w_k=about(middle.wall_w_k, 0.10, 306),
        wall_flow_w_k=about(middle.wall_flow_w_k, 0.10, 307),
        pump_m3_s=about(middle.pump_m3_s, 0.05, 308),
        pump_ultimate_pa=about(middle.pump_ultimate_pa, 0.08, 309),
        reference_leak_sccm=about(middle.reference_leak_sccm, 0.01, 310),
        vent_c_m3_s_pa=about(middle.vent_c_m3_s_pa, 0.05, 311),
        transducer_lag_s=about(middle.transducer_lag_s, 0.10, 312),
        diode_v=about(middle.diode_v, 0.05, 313),
        instruments=draw_instruments(seed, spread=spread),
    )


def draw_stated(seed: int) -> BenchParameters:
    """Draw one bench from the distributions that its file states: normal, each u_... a standard deviation.

    What no file states (pump, source resistance, wires) differs by a little, as in `draw_bench`. So results over many
    such benches should scatter as their stated uncertainties say.

    Parameters
    ----------
    seed : int
        The same bench every time.

    Examples
    --------
    >>> 0.48e-3 < draw_stated(3).volume_m3 < 0.52e-3
    True
    """
    bench = draw_bench(seed)

    def off(u: float, stream: int) -> float:
        return normal(u, seed=seed, stream=500 + stream)

    instruments = InstrumentErrors(
        shunt_gain=1.0 + off(0.003, 0),
        shunt_offset_v=within(0.5e-3, seed=seed, stream=140),
        transducer_gain=1.0 + off(1.2e-4, 1),
        transducer_offset_pa=off(60.0, 2),
        divider_gain=1.0 + off(0.005, 3),
        divider_offset_v=within(0.5e-3, seed=seed, stream=142),
        thermistor_offset_k=off(0.5, 4),
    )
    return replace(
        bench,
        volume_m3=0.5e-3 * (1.0 + off(0.005, 5)),
        line_leak_sccm=max(0.0, 0.15 + off(0.05, 6)),
        wall_w_k=HELD_J_K / max(0.8, 2.3 + off(0.6, 7)),
        wall_flow_w_k=max(0.3, 1.6 + off(0.3, 8)),
        reference_leak_sccm=10.0 + off(0.06, 9),
        instruments=instruments,
    )


def with_tank(bench: BenchParameters, seed: int) -> BenchParameters:
    """The bench with a vacuum tank of two litres, as its file states it but for what differs from tank to tank.

    Its vacuum switch left it anywhere between the points at which it stops and starts the pump.

    Examples
    --------
    >>> 1.9e-3 < with_tank(BenchParameters(), 3).tank_volume_m3 < 2.1e-3
    True
    """

    def about(value: float, part: float, stream: int) -> float:
        return value * (1.0 + within(part, seed=seed, stream=stream))

    middle = 0.5 * (bench.tank_off_pa + bench.tank_on_pa)
    half = 0.5 * (bench.tank_on_pa - bench.tank_off_pa)
    return replace(
        bench,
        tank_volume_m3=about(TANK_M3, 0.01, 320),
        tank_c_m3_s_pa=about(bench.tank_c_m3_s_pa, 0.05, 321),
        tank_starts_pa=middle + within(half, seed=seed, stream=322),
        tank_leak_sccm=about(bench.tank_leak_sccm, 0.5, 323),
    )


def overridden(bench: BenchParameters, values: Mapping[str, float]) -> BenchParameters:
    """Set fields of a bench, or of its instruments, by name.

    Raises
    ------
    ValueError
        No such field, or no number.

    Examples
    --------
    >>> bench = overridden(BenchParameters(), {"volume_m3": 0.51e-3, "shunt_gain": 1.02})
    >>> bench.volume_m3, bench.instruments.shunt_gain
    (0.00051, 1.02)
    """
    mine: dict[str, float] = {}
    wrong: dict[str, float] = {}
    own = {field.name for field in fields(BenchParameters)} - {"instruments"}
    theirs = {field.name for field in fields(InstrumentErrors)}
    for name, value in values.items():
        if name not in own | theirs:
            raise ValueError(f"No bench has a {name}; there are {', '.join(sorted(own | theirs))}.")
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            said = f"{name} of a bench: a number is wanted, not {value!r}."
            raise ValueError(said)  # noqa: TRY004 - every bad name or value is a ValueError
        if name in own:
            mine[name] = float(value)
        else:
            wrong[name] = float(value)
    known = {**vars(bench), **mine, "instruments": replace(bench.instruments or InstrumentErrors(), **wrong)}
    return BenchParameters(**known)
