"""Is a drifting transducer flagged by the check valve's charts before it changes a verdict?

    python tests/benchmarks/check_valve_drift.py --draws 100

A known-good valve of model alder-24 is measured once a day on one simulated bench; 20 days give the limits. After up to
20 more days the transducer's gain or offset begins to drift at a steady rate, up or down, so that it would reach the
size that changes a verdict after 10 to 120 days.

That size: a valve exactly on its limit must be shifted by the guard band of its model (0.83 U) before a bad one can be
accepted or a good one rejected; the shift per drift and U come from runs with valves close to the limits (a seat leak,
a restriction). An offset hardly touches what has limits: there the program itself refuses a transducer that is 500 Pa
off the barometer, and the chart has to be sooner than that.

Days are made from runs of the real sequence on the simulated bench, at drawn drift, weather and room temperature: a
second-order fit in those four gives what a day measures, and the runs' own residuals its noise. ``--real N`` checks N
draws with a real run for every single day.

Weather: pressure of one day and the next correlated 0.7, standard deviation 700 Pa; room temperature 0.5, 1.5 K.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from benchrig.application.paths import model_folders
from benchrig.bench.opening import open_registered
from benchrig.catalogue import Catalogue
from benchrig.records.history import CheckValveHistory, CheckValveRun
from benchrig.reports.chart_words import ChartReport, chart_report
from benchrig.sequencer.measuring import measure_only
from simulators.bench_file import demo_bench_toml

MODEL = "alder-24"
BASELINE = 20
ATMOSPHERE_PA, ROOM_K = 101_325.0, 295.15
REFUSED_PA = 500.0
BAROMETER_U_PA = 20.0
SPAN = np.array([0.03, 600.0, 1500.0, 3.0])
"""Half-widths of the fit: gain, offset in Pa, weather in Pa, room in K."""
BENCH = "\n".join(line for line in demo_bench_toml().splitlines() if not line.startswith("barometer_kpa"))


def measured(seed: int, state: np.ndarray, **options: object) -> dict[str, tuple[float, float, str]]:
    """One real run of the whole sequence: name -> value, u, unit."""
    gain, offset_pa, weather_pa, room_k = state.tolist()
    model = Catalogue(model_folders()).get(MODEL)
    truth = {
        "transducer_gain": 1.0 + gain,
        "transducer_offset_pa": offset_pa,
        "ambient_pa": ATMOSPHERE_PA + weather_pa,
        "ambient_k": ROOM_K + room_k,
    }
    given = {"model": MODEL, "seed": seed, "valve_seed": 5, "bench_seed": 5, "bench_truth": truth, "bench_toml": BENCH}
    with open_registered("simulated", {**given, **options}) as bench:
        found = measure_only(
            bench,
            model,
            steps=("coil", "hold", "flow", "clicks"),
        )
    return {
        each.name: (each.value, each.u or 0.0, each.unit)
        for each in found.characteristics
        if each.value is not None and not each.bound
    }


def terms(states: np.ndarray) -> np.ndarray:
    scaled = np.atleast_2d(states) / SPAN
    squares = [scaled[:, i] * scaled[:, j] for i in range(4) for j in range(i, 4)]
    return np.column_stack([np.ones(len(scaled)), scaled, *squares])


@dataclass
class Surface:
    """What one characteristic measures, by drift and surroundings, and what is left over."""

    coefficients: np.ndarray
    residuals: np.ndarray
    unit: str


def fitted(runs: int, seed: int) -> dict[str, Surface]:
    draw = np.random.default_rng([seed, 1])
    states = draw.uniform(-1, 1, (runs, 4)) * SPAN
    found = [measured(1000 * seed + k, state) for k, state in enumerate(states)]
    shape = terms(states)
    surfaces = {}
    for name in found[0]:
        values = np.array([each[name][0] for each in found])
        coefficients, *_ = np.linalg.lstsq(shape, values, rcond=None)
        # The fit takes up part of the noise: give it back.
        residuals = (values - shape @ coefficients) * math.sqrt(runs / (runs - shape.shape[1]))
        surfaces[name] = Surface(coefficients, residuals, found[0][name][2])
    return surfaces


def verdict_drift() -> tuple[float, str]:
    """Gain error that moves a valve on its limit by the guard band, the least of leak and flow."""
    model = Catalogue(model_folders()).get(MODEL)
    limits = {limit.name: limit.high or limit.low or 0.0 for limit in model.limits}
    least, said = math.inf, ""
    for condition, name in (("seat-leak", "hold_leak_sccm"), ("restricted", "flow_at_rated_vacuum_lpm_anr")):
        pair = [
            measured(9, np.array([gain, 0.0, 0.0, 0.0]), condition=condition, severity=0.0)[name]
            for gain in (-0.02, 0.02)
        ]
        middle = (pair[0][0] + pair[1][0]) / 2
        per_gain = abs(pair[1][0] - pair[0][0]) / 0.04 * limits[name] / middle
        guard = 0.83 * 2 * pair[0][1]
        print(f"  {name}: limit {limits[name]:g}, guard band {guard:.3g}, moves {per_gain:.3g} per unit of gain")
        if guard / per_gain < least:
            least, said = guard / per_gain, name
    return least, said


@dataclass
class Life:
    """One check valve's days: drift of gain and offset, weather, room."""

    states: np.ndarray
    begins: int
    verdict_day: int


def correlated(draw: np.random.Generator, days: int, sd: float, step: float) -> np.ndarray:
    noise = draw.standard_normal(days)
    found = np.empty(days)
    found[0] = noise[0]
    for day in range(1, days):
        found[day] = step * found[day - 1] + math.sqrt(1 - step**2) * noise[day]
    return sd * found


def life(draw: np.random.Generator, kind: str, size: float, *, weather: bool, days: int = 0) -> Life:
    begins = BASELINE + int(draw.integers(0, 21))
    to_go = math.exp(draw.uniform(math.log(10), math.log(120)))
    sign = draw.choice([-1.0, 1.0])
    whole = days or begins + math.ceil(to_go)
    states = np.zeros((whole, 4))
    if kind != "none":
        column = 0 if kind == "gain" else 1
        states[:, column] = sign * size * np.clip((np.arange(whole) - begins + 1) / to_go, 0, None)
    if weather:
        states[:, 2] = correlated(draw, whole, 700.0, 0.7)
        states[:, 3] = correlated(draw, whole, 1.5, 0.5)
    return Life(states, begins, whole)


Measure = Callable[[np.ndarray, int], dict[str, float]]


def report_of(
    one: Life, measure: Measure, units: dict[str, str], draw: np.random.Generator, barometer: bool
) -> ChartReport:
    runs = []
    for day, state in enumerate(one.states):
        readings = {"ambient temperature": ROOM_K + state[3] - 273.15 + float(draw.normal(0.0, 0.05))}
        air_pa = ATMOSPHERE_PA + state[2]
        shown_pa = air_pa * (1 + state[0]) + state[1] + float(draw.normal(0.0, 1.0))
        readings["ambient pressure"] = shown_pa / 1000
        if barometer:
            entered_pa = air_pa + float(draw.normal(0.0, BAROMETER_U_PA))
            readings["transducer less barometer"] = shown_pa - entered_pa
        at = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(days=day)
        runs.append(CheckValveRun(f"{day + 1:04d}", at, "accept", measure(state, day), readings))
    return chart_report(CheckValveHistory("SHELF-1", MODEL, True, tuple(runs), units), baseline=BASELINE)


def warning_days(report: ChartReport) -> dict[int, set[str]]:
    """Day (index) -> characteristics that warned on it."""
    found: dict[int, set[str]] = {}
    for each in report.charted:
        for signal in () if each.chart is None else each.chart.warnings:
            found.setdefault(signal.at, set()).add(each.name)
    return found


def made_up_day(surfaces: dict[str, Surface], draw: np.random.Generator) -> Measure:
    def measure(state: np.ndarray, _day: int) -> dict[str, float]:
        shape = terms(state)[0]
        return {
            name: float(shape @ surface.coefficients + draw.choice(surface.residuals))
            for name, surface in surfaces.items()
        }

    return measure


def real_day(seed: int) -> Measure:
    return lambda state, day: {name: each[0] for name, each in measured(seed * 1000 + day, state).items()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--draws", type=int, default=100)
    parser.add_argument("--runs", type=int, default=120, help="real runs that the days are made from")
    parser.add_argument("--real", type=int, default=0, help="draws with a real run for every day")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()

    print("drift of the gain that changes a verdict:")
    gain, why = verdict_drift()
    print(f"  {100 * gain:.2f} % ({why})\n")
    surfaces = fitted(given.runs, given.seed)
    units = {name: surface.unit for name, surface in surfaces.items()}
    print(
        f"{'days':<26} {'drift':<7} {'flagged in time':>16} {'at % of the way, median':>24} {'95 %':>6}  first to tell"
    )
    for label, weather, barometer in (
        ("steady room, no barometer", False, False),
        ("weather, barometer entered", True, True),
        ("weather, no barometer", True, False),
    ):
        for kind, size in (("gain", gain), ("offset", REFUSED_PA)):
            draw = np.random.default_rng([given.seed, 2, weather, barometer, kind == "gain"])
            in_time, way, first = 0, [], {}
            for _ in range(given.draws):
                one = life(draw, kind, size, weather=weather)
                found = warning_days(report_of(one, made_up_day(surfaces, draw), units, draw, barometer))
                flagged = min((day for day in found if day >= one.begins), default=None)
                if flagged is not None and flagged < one.verdict_day - 1:
                    in_time += 1
                    way.append(100 * (flagged - one.begins + 1) / (one.verdict_day - one.begins))
                    for name in found[flagged]:
                        first[name] = first.get(name, 0) + 1
            told = ", ".join(f"{n} {c}" for n, c in sorted(first.items(), key=lambda item: -item[1])[:3])
            print(
                f"{label:<26} {kind:<7} {in_time:>8} of {given.draws:<4} {np.median(way):24.0f} "
                f"{np.percentile(way, 95):6.0f}  {told}"
            )
        draw = np.random.default_rng([given.seed, 3, weather, barometer])
        waits, days = [], 0
        alarms: dict[str, int] = {}
        for _ in range(given.draws):
            quiet = life(draw, "none", 0.0, weather=weather, days=BASELINE + 250)
            found = warning_days(report_of(quiet, made_up_day(surfaces, draw), units, draw, barometer))
            waits.append(min(found, default=BASELINE + 250) - BASELINE + 1)
            days += 250
            for names in found.values():
                for name in names:
                    alarms[name] = alarms.get(name, 0) + 1
        worst = ", ".join(
            f"{n} {100 * c / days:.1f} %" for n, c in sorted(alarms.items(), key=lambda item: -item[1])[:4]
        )
        print(
            f"{'':<26} no drift: first false warning of all charts after {np.mean(waits):.0f} days (mean), "
            f"{np.median(waits):.0f} (median); days with one: {worst}\n"
        )
    for k in range(given.real):
        kind, size = (("gain", gain), ("offset", REFUSED_PA))[k % 2]
        draw = np.random.default_rng([given.seed, 4, k])
        one = life(draw, kind, size, weather=True)
        found = warning_days(report_of(one, real_day(50 + k), units, draw, True))
        flagged = min((day for day in found if day >= one.begins), default=None)
        early = sorted(day for day in found if day < one.begins)
        print(
            f"all real: {kind} drifts from day {one.begins}, verdict changes on day {one.verdict_day}, flagged on day "
            f"{flagged} by {', '.join(sorted(found.get(flagged, set())))}; false warnings before on days {early}"
        )


if __name__ == "__main__":
    main()
