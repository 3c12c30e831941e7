"""Made-up runs to look at and to test with. The traces come from simple formulas, the verdicts are written by hand.

Our own invention throughout: workshop, part, operator and numbers are fictional, and nothing here models a valve.
"""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime, timedelta

import numpy as np

from benchrig.analysis.results import Bound, Characteristic, Curve, Samples, Trace
from benchrig.records.digests import end_digest, start_digest, step_digest
from benchrig.records.run_record import RunRecord
from benchrig.sequencer.events import BenchFacts, Intake, ModelFacts, RunEnded, RunStarted, Sink, StepResult
from benchrig.verdict.judgement import Cause, Disposition, Judged, Judgement, Limit, Outcome

KINDS = ("accept", "reject", "undecided", "aborted")
AMBIENT_PA = 101_325.0
MAKER = "fictional model file, our own invention"

LIMITS = (
    Limit("coil_resistance_20c_ohm", 22.0, 27.0, MAKER),
    Limit("hold_leak_sccm", None, 5.0, MAKER),
    Limit("flow_at_rated_vacuum_lpm_anr", 18.0, None, MAKER),
    Limit("opening_delay_ms", None, 30.0, MAKER),
    Limit("pull_in_time_ms", None, 18.0, MAKER),
    Limit("drop_out_time_ms", None, 25.0, MAKER),
    Limit("click_spread_ms", None, 2.0, MAKER),
)
MODEL = ModelFacts(
    "alder-24", "Alder 24, in-line, two straight ports", "closed", 30.0, "0.83 U", LIMITS, fictional=True
)
BENCH = BenchFacts(
    name="demo bench",
    workshop="Foxglove Lane Rebuilders (fictional)",
    simulated=True,
    board="relay board SIM00001, firmware 1, protocol 1.0",
    meter="FICTION INSTRUMENTS,BENCH METER 6,SIM0001,1.0",
    bench_file_sha256="5f" * 32,
    constants={
        "reservoir volume": (0.5, 0.0025, "L"),
        "background leak": (0.15, 0.05, "sccm"),
        "heat recovery time constant": (2.5, 0.6, "s"),
        "coil current scale": (2.0, 0.006, "V/A"),
        "transducer offset": (0.2, 0.0015, "V"),
        "meter leads": (0.0, 0.004, "ohm"),
    },
)
STARTED = datetime(2026, 11, 25, 9, 30, 12, tzinfo=UTC)


def intake(tag: str = "C-1042", **more: str) -> Intake:
    known = {
        "model": "alder-24",
        "reason": "return",
        "operator": "R. Counter",
        "complaint": "engine light on, fuel smell after filling up",
        "findings": "light charcoal dust at the inlet, plug clean",
    }
    return Intake(tag=tag, **{**known, **more})  # type: ignore[arg-type]  # reason is one of the three in every test


def started(tag: str = "C-1042", **more: str) -> RunStarted:
    return RunStarted(STARTED, intake(tag, **more), MODEL, BENCH, seed=7, program="benchrig 0.1.0")


def hold_trace(leak_sccm: float, seconds: float = 30.0) -> Trace:
    time_s = np.arange(-0.1, seconds, 0.005)
    after_s = np.maximum(time_s, 0.0)
    clean = 41_300.0 + 2_600.0 * (1 - np.exp(-after_s / 2.5)) + 3.65 * leak_sccm * after_s
    noise = np.random.default_rng(1).normal(0.0, 12.0, len(time_s))
    fit_s = np.linspace(1.0, seconds, 120)
    fit = 41_300.0 + 2_600.0 * (1 - np.exp(-fit_s / 2.5)) + 3.65 * leak_sccm * fit_s
    columns = {"pressure_pa": np.minimum(clean, AMBIENT_PA) + noise}
    return Trace("hold", time_s, columns, curves=(("pressure_pa", Curve("fit", fit_s, fit)),))


def flow_trace(fill_s: float | None) -> Trace:
    time_s = np.arange(-0.2, 2.5 if fill_s is None else 1.3 * fill_s, 0.0005)
    noise = np.random.default_rng(2).normal(0.0, 12.0, len(time_s))
    if fill_s is None:
        return Trace("flow", time_s, {"pressure_pa": np.full(len(time_s), 44_000.0) + noise})

    def pressure(at_s: Samples) -> Samples:
        part = np.clip((at_s - 0.0132) / fill_s, 0.0, 1.0)
        return np.asarray(AMBIENT_PA - 57_000.0 * (1 - part) ** 1.5, dtype=np.float64)

    fit_s = np.linspace(0.0132, fill_s, 150)
    curves = (("pressure_pa", Curve("fit", fit_s, pressure(fit_s))),)
    return Trace("flow", time_s, {"pressure_pa": pressure(time_s) + noise}, {"opened": 0.0132}, curves)


def click_trace(number: int, pull_in_ms: float | None, drop_out_ms: float = 8.0) -> Trace:
    time_s = np.arange(-0.020, 0.220, 0.0001)
    off_s, steady_a = 0.120, 0.545
    rise = steady_a * (1 - np.exp(-np.maximum(time_s, 0.0) / 0.0065))
    fall = np.exp(-np.maximum(time_s - off_s, 0.0) / 0.0045)
    current_a = np.where(time_s < 0.0, 0.0, rise) * fall
    marks = {"released": off_s}
    if pull_in_ms is not None:
        jitter_s = 0.00012 * np.sin(2.4 * number)
        at_s = pull_in_ms * 1e-3 + jitter_s
        dip = np.where(time_s < at_s, np.exp(-(((time_s - at_s) / 0.0022) ** 2)), np.exp(-(time_s - at_s) / 0.0032))
        current_a = current_a - 0.115 * np.where(time_s > 0.0, dip, 0.0)
        drop_s = off_s + drop_out_ms * 1e-3 + jitter_s
        current_a = current_a + 0.03 * np.exp(-(((time_s - drop_s) / 0.0018) ** 2))
        marks |= {"motion starts": at_s - 0.003, "pull-in": at_s, "drop-out": drop_s}
    noise = np.random.default_rng(100 + number).normal(0.0, 0.0012, len(time_s))
    columns = {"current_a": np.maximum(current_a, 0.0) + noise, "voltage_v": np.where(rise > 0, 13.4, 0.0)}
    return Trace(f"click {number}", time_s, columns, marks)


def measured(name: str, value: float, u: float | None, unit: str, how: str, bound: Bound = "") -> Characteristic:
    return Characteristic(name, value, u, unit, how, bound)


def missing(name: str, unit: str, why: str) -> Characteristic:
    return Characteristic(name, None, None, unit, "", why_not=why)


def steps(kind: str) -> tuple[StepResult, ...]:
    stuck = kind == "reject"
    ready = StepResult(
        "ready",
        "Bench ready",
        0.0,
        0.6,
        readings={
            "coil supply": (13.48, "V"),
            "ambient pressure": (AMBIENT_PA / 1000, "kPa"),
            "ambient temperature": (22.1, "degC"),
        },
    )
    coil = StepResult(
        "coil",
        "Coil resistance",
        0.6,
        2.4,
        (measured("coil_resistance_20c_ohm", 24.61, 0.055, "ohm", "four wires, mean of 3, corrected to 20 degC"),),
        readings={"coil at ambient": (24.81, "ohm")},
    )
    leak_sccm = {"undecided": 4.93}.get(kind, 0.31)
    hold = StepResult(
        "hold",
        "Hold vacuum",
        2.4,
        41.9,
        (measured("hold_leak_sccm", leak_sccm, 0.09, "sccm", "rise of pressure over 30 s, thermal recovery fitted"),),
        (hold_trace(leak_sccm),),
        {
            "vacuum reached": (60.1, "kPa"),
            "vacuum left": (57.3, "kPa"),
            "heat recovery time constant": (2.5, "s"),
        },
    )
    if stuck:
        why = "no air came in within 2.0 s after the valve was told to open"
        flowing = (
            measured("flow_at_rated_vacuum_lpm_anr", 0.2, None, "L/min ANR", "no fill seen", "below"),
            missing("sonic_conductance_dm3_s_bar", "dm3/(s bar)", why),
            missing("critical_pressure_ratio", "", why),
            missing("opening_delay_ms", "ms", why),
        )
    else:
        flowing = (
            measured("flow_at_rated_vacuum_lpm_anr", 23.1, 0.25, "L/min ANR", "from C and b, ISO 6358-1"),
            measured("sonic_conductance_dm3_s_bar", 0.421, 0.0042, "dm3/(s bar)", "balance of the filling reservoir"),
            measured("critical_pressure_ratio", 0.41, 0.03, "", "shape of the fill below choked flow"),
            measured("opening_delay_ms", 13.2, 0.6, "ms", "from the switch to the first rise of pressure"),
        )
    flow = StepResult("flow", "Open flow", 41.9, 48.6, flowing, (flow_trace(None if stuck else 1.6),))
    if stuck:
        why = "the armature did not move in any of 10 pulses"
        clicking = (
            measured("pull_in_time_ms", 120.0, None, "ms", "no motion in 10 of 10 pulses of 120 ms", "above"),
            missing("drop_out_time_ms", "ms", why),
            missing("click_spread_ms", "ms", why),
        )
    else:
        clicking = (
            measured("pull_in_time_ms", 8.82, 0.11, "ms", "mean of 10 pulses"),
            measured("drop_out_time_ms", 8.05, 0.30, "ms", "mean of 10 pulses"),
            measured("click_spread_ms", 0.23, 0.06, "ms", "largest less smallest of 10 pulses"),
        )
    clicks = StepResult(
        "clicks",
        "Clicks",
        48.6,
        53.9,
        (*clicking, measured("steady_current_a", 0.545, 0.0018, "A", "mean of 10 pulses, end of the pulse")),
        tuple(click_trace(n, None if stuck else 8.8) for n in range(1, 11)),
        {"pulses": (10, ""), "pulses with motion": (0 if stuck else 10, "")},
    )
    return (ready, coil, hold) if kind == "aborted" else (ready, coil, hold, flow, clicks)


def judgement(kind: str, finished: tuple[StepResult, ...]) -> Judgement:
    limits = {limit.name: limit for limit in LIMITS}
    judged = tuple(_judged(each, limits.get(each.name)) for step in finished for each in step.characteristics)
    if kind == "accept":
        return Judgement(
            "accept",
            "Every characteristic that has a limit is inside it.",
            None,
            None,
            (),
            "return to customer",
            "The part was brought back as faulty, and nothing is wrong with it on the bench.",
            judged,
        )
    if kind == "reject":
        disposition: Disposition = "refund"
        causes = (
            Cause("stuck closed", 0.94, "normal coil current, no motion in 10 pulses, no flow when told to open"),
            Cause("restricted", 0.05, "no flow when told to open"),
            Cause("sluggish", 0.01, "no motion within the pulse"),
        )
        why = "Flow at rated vacuum and pull-in time are outside their limits."
        return Judgement(
            "reject",
            why,
            causes[0].name,
            causes[0].probability,
            causes,
            disposition,
            "A returned part with a fault found on the bench.",
            judged,
        )
    causes = (
        Cause("seat leak", 0.71, "hold leak 4.93 sccm, near the limit of 5 sccm"),
        Cause("good", 0.29, "all else is inside its limits"),
    )
    return Judgement(
        "undecided",
        "Hold leak is too near its limit for a firm answer.",
        causes[0].name,
        causes[0].probability,
        causes,
        "clean and retest",
        "Dust on the seat is the usual reason for a small leak, and it can be blown out.",
        judged,
    )


def _judged(each: Characteristic, limit: Limit | None) -> Judged:
    if limit is None:
        return Judged(each, None, "no limit", None, "")
    if each.value is None:
        return Judged(each, limit, "not measured", None, each.why_not)
    outcome: Outcome = "pass"
    p_conform, why = 0.999, "clear of the limit by more than the guard band"
    if each.bound:
        outcome, p_conform, why = "fail", 0.0, "outside, whatever its true value"
    elif limit.high is not None and each.value > limit.high - 0.15:
        outcome, p_conform, why = "conditional pass", 0.78, "allowed, but closer to the limit than the guard band"
    return Judged(each, limit, outcome, p_conform, why)


def ended(kind: str, finished: tuple[StepResult, ...]) -> RunEnded:
    seconds = finished[-1].ended_s + 0.2
    at = STARTED + timedelta(seconds=seconds)
    if kind == "aborted":
        return RunEnded(
            at,
            "aborted",
            seconds,
            error="The board switched everything off: guard opened.",
            hint="Close the guard, then start the run again.",
            bench_state="all outputs off, pump stopped, vent open",
        )
    return RunEnded(
        at, "finished", seconds, judgement(kind, finished), bench_state="all outputs off, pump stopped, vent open"
    )


def sample(kind: str, *, run: str = "0042", tag: str = "C-1042", **more: str) -> RunRecord:
    """A record as the store would give it back, of one of `KINDS`."""
    began, finished = started(tag, **more), steps(kind)
    end = ended(kind, finished)
    digests = [start_digest(run, began)]
    for step in finished:
        digests.append(step_digest(digests[-1], step))
    digests.append(end_digest(digests[-1], end))
    return RunRecord(
        run=run,
        intake=began.intake,
        model=began.model,
        bench=began.bench,
        started=began.at,
        ended=end.at,
        ending=end.ending,
        steps=finished,
        judgement=end.judgement,
        error=end.error,
        hint=end.hint,
        bench_state=end.bench_state,
        bench_seconds=end.bench_seconds,
        seed=began.seed,
        program=began.program,
        digests=tuple(digests),
    )


def record_into(sink: Sink, kind: str, tag: str = "C-1042", **more: str) -> str:
    """Tell a sink the same run; return its number."""
    finished = steps(kind)
    number = sink.run_started(started(tag, **more))
    for step in finished:
        sink.step_finished(step)
    sink.run_ended(ended(kind, finished))
    return number


def without_step(record: RunRecord, name: str) -> RunRecord:
    """The same record, less one step: as if it had never been run."""
    return dataclasses.replace(record, steps=tuple(step for step in record.steps if step.name != name))
