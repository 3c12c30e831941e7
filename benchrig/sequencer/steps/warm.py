"""Warm: the coil heats itself to a stated temperature, told by its own resistance; then clicks and flow once more.

Some faults come with heat only: a wire that parts, a joint that fails, an armature that sticks. Supply over current is
the winding's resistance all the while it is on. Copper rises with temperature slowly and evenly; what rises faster than
the heating power could make it is a joint, and a current that stops and comes back at one temperature is a wire.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from benchrig.analysis.armature.clicks import combine_clicks
from benchrig.analysis.coil.resistance import copper_ratio
from benchrig.analysis.results import Characteristic, Trace
from benchrig.bench.wiring import AT_REST
from benchrig.drivers.relay_board import Output
from benchrig.errors import BenchError
from benchrig.sequencer.context import Context, not_measured
from benchrig.sequencer.steps.clicks import PULSE_MS, pulses
from benchrig.sequencer.steps.flow import flow
from benchrig.sequencer.steps.impossible_readings import check_energised
from benchrig.sequencer.steps.step_output import StepOutput
from benchrig.verdict.warm import WARM

__all__ = ["warm"]

LOOK_S = 0.5
LONGEST_S = 900.0
BREAK_S, BREAK_AT = 0.6, 0.8
"""The coil is let go for so long when it has been on for this part of the time that the board allows."""
FASTEST_PER_S = 0.012
"""A winding of 10 J/K at 18 W warms by 1.8 K/s: 0.7 % more resistance a second. Faster than this is no copper."""
STILL_WARMING_K, STILL_WARMING_S = 1.0, 60.0
STOPS = 0.5
"""Less than this part of the current that flowed before: the path is broken."""
SAME_TEMPERATURE_K = 8.0
OPENINGS = 2
"""A plug that is loose opens at any temperature; a wire that parts does so at one, again and again."""
CLOSES_WITHIN_S = 90.0
CLICKS = 5
JUMP_U = 0.01
"""Relative standard uncertainty of what a jump of the resistance is taken for, the copper's own rise beside it."""


@dataclass
class _Heating:
    """The coil while it heats itself."""

    cold_c: float
    cold_ohm: float
    time_s: list[float] = field(default_factory=list)
    coil_c: list[float] = field(default_factory=list)
    jumped: float = 1.0
    """Factor by which the resistance rose beyond what copper does."""
    jumped_at_c: float | None = None
    opened_at_c: list[float] = field(default_factory=list)

    def take(self, t_s: float, ohm: float) -> None:
        """Take one look: temperature by the copper, and what rose too fast for it."""
        before_c = self.coil_c[-1] if self.coil_c else self.cold_c
        copper_ohm = self.cold_ohm * copper_ratio(before_c) / copper_ratio(self.cold_c)
        rose = ohm / self.jumped / copper_ohm
        since_s = t_s - self.time_s[-1] if self.time_s else math.inf
        if rose > 1.0 + FASTEST_PER_S * since_s:
            self.jumped *= rose
            self.jumped_at_c = before_c if self.jumped_at_c is None else self.jumped_at_c
        ratio = ohm / self.jumped / self.cold_ohm * copper_ratio(self.cold_c)
        self.time_s.append(t_s)
        self.coil_c.append(20.0 + (ratio - 1.0) / (copper_ratio(21.0) - 1.0))


def warm(run: Context) -> StepOutput:
    """Heat the coil by its own current, then click it and measure its flow again."""
    target_c = run.warm_c
    assert target_c is not None
    if run.coil != "sound" or run.cold_resistance is None or not run.cold_resistance.value:
        why = f"the coil is {run.coil or 'not measured'}: it cannot heat itself"
        return StepOutput(characteristics=_all_missing(why), skipped=why)
    heating = _heat(run, target_c, run.cold_resistance.value)
    reached_c = heating.coil_c[-1] if heating.coil_c else heating.cold_c
    trace = Trace("warm", np.array(heating.time_s), {"coil_c": np.array(heating.coil_c)})
    readings = {"coil warmed to": (reached_c, "degC"), "in": (heating.time_s[-1] if heating.time_s else 0.0, "s")}
    coil, notes = _coil(run, heating)
    if heating.opened_at_c:
        missing = tuple(each for each in _all_missing("the coil's path opens when it warms") if each.name != coil.name)
        return StepOutput(characteristics=(coil, *missing), traces=(trace,), readings=readings, notes=notes)
    if reached_c < target_c - STILL_WARMING_K:
        notes = (*notes, f"the coil got no warmer than {reached_c:.0f} °C; {target_c:.0f} °C were asked for")
    run.warmed_c = reached_c
    results, _, clicks = pulses(run, CLICKS, "warm")
    together = combine_clicks(results, PULSE_MS)
    warmed = _renamed(together.characteristics.values(), reached_c)
    opened, run.vacuum_pa = run.opened, 0.0  # the bench was vented for the clicks
    again = flow(run)
    run.opened = opened  # what the cold valve did is the evidence; the warm one has a name of its own
    return StepOutput(
        characteristics=(coil, *warmed, *_renamed(again.characteristics, reached_c)),
        traces=(
            trace,
            *(replace(each, name=f"warm {each.name}") for each in clicks),
            *(replace(each, name=f"warm {each.name}") for each in again.traces),
        ),
        readings={**readings, "pulses with motion, warm": (float(together.moved), "")},
        notes=(*notes, *together.notes, *again.notes),
    )


def _heat(run: Context, target_c: float, cold_20_ohm: float) -> _Heating:
    """Heat until the target, until it warms no more, or until the path has opened for the second time."""
    bench = run.bench
    series_ohm = bench.file.shunt.series_ohm
    ambient_c = run.ambient_k - 273.15
    began_s = on_s = bench.clock.now()
    bench.switch(frozenset({Output.COIL}))
    bench.wait(0.3)
    cold_c = ambient_c  # the clicks before have warmed it a little, which the first look shows
    heating = _Heating(cold_c, cold_20_ohm * copper_ratio(cold_c))
    report = run.watch("warm", LONGEST_S)
    while True:
        bench.wait(LOOK_S)
        now_s = bench.clock.now() - began_s
        current_a, supply_v = bench.current_a(), bench.supply_v()
        last_c = heating.coil_c[-1] if heating.coil_c else cold_c
        expected_a = supply_v / (heating.cold_ohm * copper_ratio(last_c) / copper_ratio(cold_c) + series_ohm)
        if current_a < STOPS * expected_a / heating.jumped:
            heating.opened_at_c.append(last_c)
            if not _path_is_open(run):
                bench.switch(frozenset({Output.COIL}))
                bench.wait(0.3)
                check_energised(run, bench.current_a(), bench.supply_v())
            if len(heating.opened_at_c) >= OPENINGS:
                _demand_one_temperature(heating)
                break
            _wait_for_path(run)
            on_s = bench.clock.now()
            bench.switch(frozenset({Output.COIL}))
            bench.wait(0.3)
            continue
        heating.take(now_s, supply_v / current_a - series_ohm)
        report(f"coil at {heating.coil_c[-1]:.0f} °C")
        if heating.coil_c[-1] >= target_c or now_s > LONGEST_S or _warms_no_more(heating):
            break
        if bench.clock.now() - on_s > BREAK_AT * run.coil_limit_s:
            bench.switch(AT_REST)
            bench.wait(BREAK_S)
            on_s = bench.clock.now()
            bench.switch(frozenset({Output.COIL}))
            bench.wait(0.3)
    bench.switch(AT_REST)
    return heating


def _warms_no_more(heating: _Heating) -> bool:
    past = [c for t, c in zip(heating.time_s, heating.coil_c, strict=True) if t <= heating.time_s[-1] - STILL_WARMING_S]
    return bool(past) and heating.coil_c[-1] - past[-1] < STILL_WARMING_K


def _path_is_open(run: Context) -> bool:
    """Whether the meter, whose way to the coil is another one, finds no path either."""
    return math.isinf(run.bench.coil_readings_ohm(1)[0])


def _wait_for_path(run: Context) -> None:
    """Let the coil cool until the meter finds its path again, at most `CLOSES_WITHIN_S`."""
    bench = run.bench
    until_s = bench.clock.now() + CLOSES_WITHIN_S
    while bench.clock.now() < until_s:
        bench.wait(1.0)
        if not _path_is_open(run):
            return


def _demand_one_temperature(heating: _Heating) -> None:
    """A path that opens at any temperature may be the plug's."""
    if max(heating.opened_at_c) - min(heating.opened_at_c) > SAME_TEMPERATURE_K:
        raise BenchError(
            "The current stopped at "
            + " and ".join(f"{c:.0f} °C" for c in heating.opened_at_c)
            + " of the coil: not at one temperature.",
            hint="Reseat the plug and run again: a loose plug opens at any temperature, a wire in the coil at one.",
        )


def _coil(run: Context, heating: _Heating) -> tuple[Characteristic, tuple[str, ...]]:
    """The warm coil, the copper's own rise taken out."""
    name, unit = WARM["coil_resistance_20c_ohm"], "ohm"
    cold = run.cold_resistance
    assert cold is not None
    if heating.opened_at_c:
        at = f"{min(heating.opened_at_c):.0f} °C"
        said = f"the coil's path opens at about {at}, closes when it cools, and opens again"
        value = run.bench.file.meter.range_ohm
        return Characteristic(name, value, None, unit, how=f"by the meter; {said}", bound="above"), (said,)
    value = float(cold.value or 0.0) * heating.jumped
    u = math.hypot((cold.u or 0.0) * heating.jumped, (JUMP_U * value) if heating.jumped > 1.0 else 0.0)
    how = "supply over current while it heats itself, the copper's own rise taken out"
    notes: tuple[str, ...] = ()
    if heating.jumped_at_c is not None:
        notes = (
            f"from about {heating.jumped_at_c:.0f} °C the coil's resistance rises by "
            f"{100 * (heating.jumped - 1):.0f} % faster than copper can: a joint that fails when it warms",
        )
    return Characteristic(name, value, u, unit, how=how), notes


def _renamed(found: Iterable[Characteristic], reached_c: float) -> tuple[Characteristic, ...]:
    return tuple(
        replace(each, name=WARM[each.name], how=f"coil at {reached_c:.0f} °C; {each.how}".rstrip("; "))
        for each in found
        if each.name in WARM
    )


def _all_missing(why: str) -> tuple[Characteristic, ...]:
    units = ("ohm", "ms", "ms", "L/min ANR")
    return tuple(not_measured(name, unit, why) for name, unit in zip(WARM.values(), units, strict=True))
