"""Hold vacuum: draw the closed valve down, shut it off, and watch."""

from __future__ import annotations

from typing import Any, NamedTuple

from benchrig.analysis.leak.hold_vacuum import RECOVERY_VARIES, SAME_DAY_VARIES, HoldResult
from benchrig.analysis.leak.stopping_rule import Stopped, StoppingRule
from benchrig.analysis.results import Characteristic, Curve, Trace
from benchrig.bench.bench import Recording
from benchrig.bench.wiring import closed_up
from benchrig.drivers.relay_board import Channel, Output
from benchrig.sequencer.check.vacuum import known_of_hold
from benchrig.sequencer.context import Context, HoldRecord, not_measured
from benchrig.sequencer.let_down import LET_DOWN_VARIES, expect_chill, known_chill, let_down_slowly
from benchrig.sequencer.pump_down import draw_down
from benchrig.sequencer.steps.fresh_air import rise_in_fresh_air
from benchrig.sequencer.steps.hold_looks import HoldLooks
from benchrig.sequencer.steps.impossible_readings import check_dead, check_energised, check_pressure
from benchrig.sequencer.steps.step_output import StepOutput
from benchrig.sequencer.steps.vapour import RestRise, Room, beside_vapour, learn_of_vapour, rise_at_rest, vapour_odds

__all__ = [
    "CHILL_LABEL",
    "DRAWN_LABEL",
    "EXPECTED_LABEL",
    "EXPECTED_U_LABEL",
    "FRESH_LABEL",
    "FRESH_SECONDS_LABEL",
    "HELD_LABEL",
    "LET_DOWN_LABEL",
    "QUICK_WORDS",
    "TAU_LABEL",
    "capture_words",
    "hold",
    "known_of",
    "known_recovery_of",
    "learned",
    "limit_of",
]

NAME, UNIT = "hold_leak_sccm", "sccm"
HELD_LABEL, TAU_LABEL = "held for", "heat recovery time constant"
DRAWN_LABEL, LET_DOWN_LABEL = "drawn down within", "let down within"
EXPECTED_LABEL, EXPECTED_U_LABEL = "chill by the let-down", "chill by the let-down, u"
CHILL_LABEL = "gas colder than the walls at first"
FRESH_LABEL, FRESH_SECONDS_LABEL = "rise at rest in fresh air", "look in fresh air"
PERIOD_S, QUICK_PERIOD_S = 0.005, 0.0005
LEAD_IN = 20
PUMP_RUNS_ON_S = 0.1
"""The pump stops this long after the isolation valve was told to close: a few times the valve's travel."""
QUICK_BELOW_PA, QUICK_S = 5_000.0, 3.0
"""From so little vacuum the rise is over within a second: record it faster."""
FLOODED_PART = 0.75
"""A let-down that levels off below this part of the vacuum wanted is a valve that lets in as much as the tank draws."""
LOOK_EVERY_S = 0.15
"""The board is asked so often how far it is; a look at the leak is due at some of these."""
ENOUGH_VACUUM = 0.9
RECORD_BEGUN_S = 1.0
"""Before that no look is taken."""
MEASURED_SAMPLES = 5
SAME_VACUUM_PA = 500.0
"""A model that is held at another vacuum than the bench's by more than this has another chill (a hundredth of it)."""


def capture_words(hold_s: float, period_s: float = PERIOD_S) -> int:
    """Board memory that the recording takes: a word for each sample of its one channel."""
    return LEAD_IN + round(hold_s / period_s)


QUICK_WORDS = capture_words(QUICK_S, QUICK_PERIOD_S)


def hold(run: Context) -> StepOutput:
    """Hold a vacuum on the closed valve and measure what leaks in."""
    bench, file = run.bench, run.bench.file
    coil_on = run.closed_when_energised
    if coil_on and run.coil != "sound":
        why = f"a normally open valve is closed by its coil, and the coil is {run.coil}"
        return StepOutput(characteristics=(not_measured(NAME, UNIT, why),), skipped=why)
    if coil_on:
        bench.switch(frozenset({Output.COIL}))
        bench.wait(0.3)
        check_energised(run, bench.current_a(), bench.supply_v())
    room = Room(bench)
    rest = rise_at_rest(run)
    limit_sccm = limit_of(run)
    held = _held(run, rest, room, vapour_is_seen=file.sequence.fresh_air and file.tank is None)
    looks = held.looks
    if held.stopped is not None and held.stopped.leak_pa_s is not None:
        fresh = rise_in_fresh_air(run, held.stopped.leak_pa_s, held.pumped_s)
        if fresh is None:
            held = _held(run, rest, room, vapour_is_seen=False)
            looks = held.looks
        else:
            rest = fresh
            looks = HoldLooks(held.known, limit_sccm, rest)
            run.vacuum_pa = 0.0
    recording, reached_pa = held.recording, held.reached_pa
    pressure_pa = recording.columns["pressure_pa"]
    drift = drift_k_s, drift_u_k_s = room.drift_k_s()
    result = looks.result(recording.time_s, pressure_pa, drift)
    held_s = float(recording.time_s[-1])
    if not held.quick:
        drifted = {"ambient_drift_k_s": drift_k_s, "ambient_drift_u_k_s": drift_u_k_s}
        told = {**held.known, "limit_sccm": limit_sccm, **drifted, **vapour_odds(rest, drift)}
        run.held = HoldRecord(recording.time_s, pressure_pa, told)
    leak = learned(run, result, rest, drift, held_s, reached_pa)
    as_wanted = reached_pa >= run.hold_vacuum_pa - (SAME_VACUUM_PA if run.let_down else 0.0)
    short_of = (
        (f"the pump reached {reached_pa / 1000:.1f} kPa of vacuum instead of {run.hold_vacuum_pa / 1000:.0f} kPa",)
        if not as_wanted
        else ()
    )
    slowly = let_down_slowly(run) if as_wanted else ()
    return StepOutput(
        characteristics=(leak,),
        traces=(_trace(recording, result),),
        readings={
            "vacuum reached": (reached_pa / 1000, "kPa"),
            LET_DOWN_LABEL if run.let_down else DRAWN_LABEL: (run.drawn_s, "s"),
            **_by_the_let_down(run),
            HELD_LABEL: (held_s, "s"),
            "vacuum left": (held.left_pa / 1000, "kPa"),
            "drift of the room": (60 * drift_k_s, "K/min"),
            **_at_rest(rest),
            **_extras(result),
        },
        notes=(*short_of, *slowly, *_why_stopped(held.stopped, held.longest_s, rest), *result.notes),
    )


class _Held(NamedTuple):
    """One pump-down with the record after it; the manifold is still closed around what vacuum is left."""

    recording: Recording
    looks: HoldLooks
    known: dict[str, Any]
    reached_pa: float
    left_pa: float
    pumped_s: float
    longest_s: float
    quick: bool
    stopped: Stopped | None


def _held(run: Context, rest: RestRise | None, room: Room, *, vapour_is_seen: bool) -> _Held:
    """Draw down and hold, to the end where vapour rose at rest."""
    bench, coil_on = run.bench, run.closed_when_energised
    from_s = bench.clock.now()
    reached_pa = draw_down(run, "hold")
    pumped_s = bench.clock.now() - from_s
    run.reached_vacuum_pa = reached_pa
    flooded = run.let_down and reached_pa < FLOODED_PART * run.hold_vacuum_pa
    quick = flooded or reached_pa < QUICK_BELOW_PA
    period_s = QUICK_PERIOD_S if quick else PERIOD_S
    hold_s = QUICK_S if quick else bench.file.sequence.hold_s
    report = run.watch("hold", hold_s)
    limit_sccm = limit_of(run)
    run.expected_chill_k = None
    known: dict[str, Any] = {}

    def looks_at(so_far: Recording) -> HoldLooks:
        """Made once the record has begun, whose lead-in is the end of the let-down."""
        if not known:
            if not quick:
                expect_chill(run, so_far)
            known.update(known_of(run))
            made.append(HoldLooks(known, limit_sccm, rest))
        return made[0]

    made: list[HoldLooks] = []
    risen = rest is not None and rest.is_vapour(*room.drift_k_s())
    decides_at = None if run.full or risen else limit_sccm
    rule = StoppingRule(
        decides_at, run.model.false_accept, run.model.false_reject, hold_s, vapour_is_seen=vapour_is_seen
    )
    stopped: list[Stopped] = []

    def enough(so_far: Recording) -> bool:
        time_s, pressure_pa = so_far.time_s, so_far.columns["pressure_pa"]
        vacuum_pa = run.ambient_pa - float(pressure_pa[-20:].mean())
        report(f"{vacuum_pa / 1000:.1f} kPa vacuum")
        if time_s[-1] > 1.0 and vacuum_pa < max(500.0, 0.03 * reached_pa):
            return True

        found = looks_at(so_far).stopped(rule, time_s, pressure_pa) if time_s[-1] > RECORD_BEGUN_S else None
        stopped.extend([found] if found else [])
        return found is not None

    bench.await_alongside()
    recording = bench.record(
        (Channel.PRESSURE,),
        period_s=period_s,
        samples=capture_words(hold_s, period_s),
        switch_at=LEAD_IN,
        switch_to=closed_up(coil=coil_on) | {Output.PUMP},
        release_at=LEAD_IN + round(PUMP_RUNS_ON_S / period_s),
        release_to=closed_up(coil=coil_on),
        enough=enough,
        every_s=LOOK_EVERY_S,
    )
    ended_pa = float(recording.columns["pressure_pa"][-20:].mean())
    check_pressure(run, ended_pa)
    if coil_on:
        check_energised(run, bench.current_a(), bench.supply_v())
    else:
        check_dead(run, bench.current_a())
    run.vacuum_pa = run.ambient_pa - ended_pa
    if flooded:
        run.reached_vacuum_pa = reached_pa = max(run.vacuum_pa, 0.0)  # what a tank draws for a moment no valve holds
    elif run.let_down:  # until here that was foreseen
        run.reached_vacuum_pa = reached_pa = run.ambient_pa - _deepest_pa(recording)
    looks = looks_at(recording)
    left_pa, last = run.vacuum_pa, stopped[-1] if stopped else None
    return _Held(recording, looks, known, reached_pa, left_pa, pumped_s, hold_s, quick, last)


def _deepest_pa(recording: Recording) -> float:
    """Lowest pressure around shutting off, as a mean of a few samples: a let-down still goes on when it begins."""
    around = recording.columns["pressure_pa"][: 2 * LEAD_IN]
    whole = around[: len(around) // MEASURED_SAMPLES * MEASURED_SAMPLES]
    return float(whole.reshape(-1, MEASURED_SAMPLES).mean(axis=1).min())


def _at_rest(rest: RestRise | None) -> dict[str, tuple[float, str]]:
    if rest is None:
        return {}
    if not rest.fresh:
        return {"rise at rest before pumping": (rest.rise_pa, "Pa")}
    return {FRESH_LABEL: (rest.rise_pa, "Pa"), FRESH_SECONDS_LABEL: (rest.seconds, "s")}


def _by_the_let_down(run: Context) -> dict[str, tuple[float, str]]:
    if run.expected_chill_k is None:
        return {}
    return {EXPECTED_LABEL: (run.expected_chill_k, "K"), EXPECTED_U_LABEL: (run.expected_chill_u_k, "K")}


def limit_of(run: Context) -> float | None:
    """The leak that the model allows; None where it sets no limit."""
    return next((limit.high for limit in run.model.limits if limit.name == NAME), None)


def learned(
    run: Context,
    result: HoldResult,
    rest: RestRise | None,
    drift: tuple[float, float],
    held_s: float,
    reached_pa: float,
) -> Characteristic:
    """Let the run know of what a hold of so many seconds from so much vacuum told; the leak."""
    learn_of_vapour(run, result, rest, drift, held_s)
    run.held_s = held_s
    run.thermal_time_constant_s = result.thermal_time_constant_s
    run.thermal_time_constant_u_s = result.thermal_time_constant_s_u
    leak, limit_sccm = _leak(result, held_s), limit_of(run)
    if run.rises_at_rest and result.explanation not in ("wet", "undecided"):
        leak = beside_vapour(leak, rest, run.bench.file.reservoir.volume_m3, limit_sccm)
    return _at_full_vacuum(run, leak, reached_pa, limit_sccm)


def known_of(run: Context) -> dict[str, Any]:
    """What is known before a hold."""
    file = run.bench.file
    return {
        **known_of_hold(file, run.ambient_pa, run.ambient_k),
        "background_sccm": file.background.leak_sccm,
        "background_u_sccm": file.background.u_sccm,
        **known_recovery_of(run),
    }


def known_recovery_of(run: Context) -> dict[str, Any]:
    """What is known of how the gas warms up, where the pump-down is that to which it belongs.

    What the day's runs told goes before what was calibrated.
    """
    bench, heat = run.bench, run.bench.file.heat
    if abs(run.hold_vacuum_pa - 1000 * bench.file.reservoir.hold_vacuum_kpa) > SAME_VACUUM_PA:
        return {}
    day = bench.recovery
    if day is not None:
        of_the_day = {"thermal_time_constant_s": day.tau_s, "thermal_time_constant_u_s": day.tau_u_s}
        chill: dict[str, float | None] = {"chill_k": day.chill_k, "chill_u_k": day.chill_u_k}
        if run.let_down and day.expected_k is not None:
            chill |= known_chill(run, day.chill_k, day.chill_u_k, like_k=day.expected_k)
        return {**of_the_day, **chill, "recovery_varies": (0.0, 0.0)}
    today = bench.traceability.is_of_today("heat")
    varies = SAME_DAY_VARIES if today else RECOVERY_VARIES
    if not run.let_down or heat.chill_k is None:
        return {"chill_k": heat.chill_k, "chill_u_k": heat.chill_u_k, "recovery_varies": varies}
    if today:
        varies = varies[0], LET_DOWN_VARIES
    return {**known_chill(run, heat.chill_k, heat.chill_u_k, like_k=heat.chill_k), "recovery_varies": varies}


def _why_stopped(stopped: Stopped | None, hold_s: float, rest: RestRise | None) -> tuple[str, ...]:
    if stopped is None:
        return ()
    ended = f"hold ended early, after {stopped.after_s:.1f} s of {hold_s:.0f} s: the leak"
    if stopped.side == "near":
        ended = f"{ended} is known well enough, so near its limit that a longer hold would not help"
    else:
        ended = f"{ended} lies {stopped.side} its limit by more than {stopped.band:.1f} standard uncertainties"
    if rest is None or not rest.fresh:
        return (ended,)
    return (
        ended,
        f"then looked for vapour in fresh air: the pressure changed by {rest.rise_pa:.0f} Pa in {rest.seconds:.1f} s",
    )


def _at_full_vacuum(run: Context, leak: Characteristic, reached_pa: float, limit_sccm: float | None) -> Characteristic:
    """A leak at less vacuum than the limit is meant for can fail that limit, but it cannot pass it."""
    if reached_pa >= ENOUGH_VACUUM * run.hold_vacuum_pa or leak.value is None:
        return leak
    if limit_sccm is not None and leak.value > limit_sccm:
        return leak
    return not_measured(
        NAME,
        UNIT,
        f"only {reached_pa / 1000:.1f} kPa of the {run.hold_vacuum_pa / 1000:.0f} kPa of vacuum could be drawn "
        f"({leak.value:.2f} sccm there): look at the pump, the isolation valve K4 and the joints",
    )


def _leak(result: HoldResult, held_s: float) -> Characteristic:
    """What a hold of so many seconds told of the leak."""
    if result.explanation == "changing":
        return not_measured(
            NAME,
            UNIT,
            "no steady leak explains the rise of pressure, with vapour or without: look at hoses and joints for a leak "
            "that comes and goes, at vent K5 and reference valve K6, at the transducer, then measure again",
        )
    return Characteristic(
        NAME,
        result.hold_leak_sccm,
        result.hold_leak_sccm_u,
        UNIT,
        how=f"rise of pressure over {held_s:.0f} s, thermal recovery fitted, background leak subtracted",
        bound=result.bound,
        why_not="" if result.hold_leak_sccm is not None else "; ".join(result.notes),
        parts=tuple(result.parts),
    )


def _trace(recording: Recording, result: HoldResult) -> Trace:
    fit = Curve("fit", result.fit_time_s, result.fit_pressure_pa)
    return Trace("hold", recording.time_s, recording.columns, curves=(("pressure_pa", fit),) if len(fit.time_s) else ())


def _extras(result: HoldResult) -> dict[str, tuple[float, str]]:
    extras = {
        "rise of pressure": (result.pressure_rate_pa_s, "Pa/s"),
        "same leak through a sharp hole of": (result.equivalent_orifice_mm, "mm"),
        TAU_LABEL: (result.thermal_time_constant_s, "s"),
        CHILL_LABEL: (None if result.bound else result.chill_k, "K"),
        "rise beside it that levels off": (result.vapour_pa, "Pa"),
        "time constant of that rise": (result.vapour_time_constant_s, "s"),
    }
    return {label: (value, unit) for label, (value, unit) in extras.items() if value is not None}
