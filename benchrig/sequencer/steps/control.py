"""Control: before a leak or a blocked flow is held against the valve, the bench is looked at without it.

From the pressure alone nobody can tell a leaking hose from a leaking seat, or a kinked hose from a blocked valve. So
when the verdict would be a reject that rests on one of the two, the valve comes off: the port is closed with the blind
plug and must be tight, or left open and must let air in. What shows there is the bench's, and no verdict is given.

Nor can anybody tell a trace of fuel vapour from a reservoir whose wall comes back slowly (a liner): where the hold
showed a small rise that levels off, it is looked for without the valve too. If it is there it is the wall's; if not,
the valve is wet.

And a coil that the meter finds so short of turns that it is not energised has no second witness in its current. Then
the reference resistor takes the valve's place on the plug: a meter that reads low reads that low too.
"""

from __future__ import annotations

import math
from dataclasses import replace

from benchrig.analysis.characteristics import CHARACTERISTICS
from benchrig.analysis.leak.hold_vacuum import HoldResult
from benchrig.analysis.results import Characteristic
from benchrig.bench.bench import Recording
from benchrig.bench.wiring import AT_REST
from benchrig.errors import BenchError
from benchrig.sequencer.check.vacuum import hold_for, leak, pump_to
from benchrig.sequencer.context import Context
from benchrig.sequencer.operator import Fitting, Operator, put_on
from benchrig.sequencer.steps.blank_hold import REST_S, leak_beside_blank, put_in_place, say_why_hidden
from benchrig.sequencer.steps.resistance_cross_check import check_meter
from benchrig.sequencer.steps.step_output import StepOutput
from benchrig.sequencer.steps.vapour import Room, rise_at_rest
from benchrig.verdict.judgement import Judgement
from benchrig.verdict.wet import NAMED_FROM, Vapour

__all__ = [
    "FLOW",
    "LEAK",
    "METER",
    "PROVEN_BY_LINE",
    "SLOW_RISE",
    "control",
    "controlled_by",
    "doubted",
    "not_controlled",
    "without_control",
]

LEAK, FLOW, SLOW_RISE, METER = "leak", "flow", "slow rise", "meter"
PROVEN_BY_LINE = frozenset({LEAK, FLOW})
"""What a valve that was accepted on the same line speaks against."""
_RESTS_ON = {name: about.mistaken_for for name, about in CHARACTERISTICS.items() if about.mistaken_for}
_COIL = "coil_resistance_20c_ohm"
SECONDS = 10.0
SURE_U = 3.0
"""A leak of the closed bench beyond what its file states by more than so many standard uncertainties is real."""
REST_TAUS = 15.0
"""Gas that an opening has warmed is at rest after so many time constants of its recovery at the hold's vacuum: six of
those at the pressure of the room."""
WALLS = "it is the reservoir's wall (a liner, a coating)"
STEADY = "Let the room's temperature become steady, keep sun and draught off the reservoir, and run it again."
OF_THE_WALL = ("wet", "slow_wall", "undecided")
"""What a bench without a valve shows where nothing is wrong with it but its wall and the room."""
HIDDEN = (
    "Without the valve the pressure rises too, by the reservoir's wall or the room, which hides what the bench leaks "
    "by itself."
)
NOT_VAPOUR = "Without the valve the bench shows the same rise: it is its wall, not vapour."
OFF = "what the bench does by itself was taken off the valve's leak"
LINE_S, LINE_PA = 4.0, 3_000.0
"""A small pump draws well under a kilopascal through an open hose."""


def doubted(judgement: Judgement, *, coil_not_energised: bool = False) -> frozenset[str]:
    """What of the bench could look like the fault that the verdict names: `LEAK`, `FLOW`, `METER`, or nothing.

    Only for a reject; whatever else is measured does not go through the hose. `coil_not_energised`: the meter found a
    short, so that no current ever spoke for or against it.
    """
    if judgement.verdict != "reject":
        return frozenset()
    failed = {each.characteristic.name for each in judgement.judged if each.outcome in ("fail", "conditional fail")}
    rests_on = {**_RESTS_ON, _COIL: METER} if coil_not_energised else _RESTS_ON
    return frozenset(rests_on[name] for name in failed & set(rests_on))


def controlled_by(proof: str) -> StepOutput:
    """The step where the line was proven tight and free a short while ago: nothing has to be done."""
    return StepOutput(notes=(f"the line was proven tight and free by {proof}; not looked at without this valve",))


def not_controlled(what: frozenset[str]) -> StepOutput:
    """The step when nobody is there to take the valve off."""
    return StepOutput(
        skipped=f"not done, nobody was asked to take the valve off: {_alike(what)}; see the last bench check"
    )


def without_control(judgement: Judgement, what: frozenset[str], hidden: str = "") -> Judgement:
    """The judgement when the control was wanted and nobody was there for it, or (`hidden`: why) when it told nothing.

    A reject that rests on nothing but what a hose or a meter could cause too is left undecided; one that rests on more
    stands.
    """
    doubtful = {*_RESTS_ON, _COIL} if METER in what else set(_RESTS_ON)
    if any(each.outcome == "fail" and each.characteristic.name not in doubtful for each in judgement.judged):
        return judgement
    return replace(
        judgement,
        verdict="undecided",
        why=f"{judgement.why} {hidden or f'The bench was not looked at without the valve: {_alike(what)}.'}",
        disposition="ask",
        disposition_why=STEADY
        if hidden
        else "Run it again where somebody can take the valve off when asked, or say --no-control to let the "
        "measurement stand as it is.",
    )


def _alike(what: frozenset[str]) -> str:
    hoses = [word for each, word in ((LEAK, "leaking"), (FLOW, "blocked")) if each in what]
    found = [f"a {' or '.join(hoses)} hose"] if hoses else []
    if METER in what:
        found.append("a meter that reads low")
    return f"{' or '.join(found)} would look the same"


def control(run: Context, operator: Operator, what: frozenset[str]) -> StepOutput:
    """Look at meter, hose and port without the valve.

    Raises
    ------
    BenchError
        The meter reads the reference wrong, or the bench itself leaks or lets no air through: nothing is said about the
        valve.
    """
    readings: dict[str, tuple[float, str]] = {}
    notes = []
    if METER in what:
        readings["reference resistor"] = (check_meter(run, operator), "ohm")
        notes.append("controlled: the meter reads the reference resistor right")
    if SLOW_RISE in what:
        put_on(run.bench, operator, Fitting.BLIND, run.coil_limit_s)
        notes.append(_whose_rise(run, operator, readings))
    elif LEAK in what:
        put_on(run.bench, operator, Fitting.BLIND, run.coil_limit_s)
        notes.append(_tight(run, operator, readings))
    if FLOW in what:
        put_on(run.bench, operator, Fitting.OPEN, run.coil_limit_s)
        readings["vacuum on the open port"] = (_open(run, operator), "kPa")
        notes.append("controlled: without the valve air comes in freely")
    return StepOutput(readings=readings, notes=tuple(notes))


def _whose_rise(run: Context, operator: Operator, readings: dict[str, tuple[float, str]]) -> str:
    """Look for the slow rise without the valve, and let the run know whose it is; return what to note."""
    seen = run.slow_rise
    assert seen is not None
    if run.rises_at_rest:
        return _whose_warmth(run, seen, readings)
    _rest(run)
    found, blank = _held(run, operator, run.bench.file.sequence.hold_s, "does it rise without the valve too?")
    shows = found.vapour_probability >= NAMED_FROM
    apart = leak_beside_blank(run, blank, found)
    if found.vapour_pa is not None:
        readings["slow rise without the valve"] = (found.vapour_pa, "Pa")
    if apart is not None and (shows or apart[1] < NAMED_FROM):
        _take(run, apart[0], readings)
        return f"controlled: without the valve the pressure rises as with it: {WALLS} or the room, not vapour; {OFF}"
    if found.hold_leak_sccm is not None:
        _demand_tight(run, found)
        readings["leak of the bench without the valve"] = (found.hold_leak_sccm, "sccm")
    if shows:
        run.vapour = None
        run.not_vapour = NOT_VAPOUR
        run.leak_hidden = "" if run.leak_controlled else HIDDEN
        say_why_hidden(run, f"it is hidden. {NOT_VAPOUR.rstrip('.')}")
        return (
            f"controlled: without the valve the pressure rises and levels off too: {WALLS}, not vapour; every hold on "
            "this bench is less certain for it"
        )
    run.vapour = seen
    return "controlled: without the valve the pressure does not rise and level off: the valve is wet"


def _whose_warmth(run: Context, seen: Vapour, readings: dict[str, tuple[float, str]]) -> str:
    """The pressure rose at rest, but not as vapour does in the hold: it may be vapour or a reservoir that warms."""
    run.bench.wait(REST_TAUS * run.bench.file.heat.time_constant_s)
    room = Room(run.bench)
    rest = rise_at_rest(run)
    run.bench.switch(AT_REST)
    if rest is not None:
        readings["rise at rest without the valve"] = (rest.rise_pa, "Pa")
        if rest.is_vapour(*room.drift_k_s()):
            run.vapour = None
            run.not_vapour = "Without the valve the pressure rises too: something warms the reservoir; shade it."
            return (
                "controlled: without the valve the pressure rises at rest too: something warms the reservoir (the sun, "
                "a draught, the pump), which reads as a leak; shade it and test again"
            )
    run.vapour = seen
    return "controlled: without the valve the pressure does not rise at rest: the valve is wet"


def _tight(run: Context, operator: Operator, readings: dict[str, tuple[float, str]]) -> str:
    """Demand a tight bench without the valve; held longer where a short hold does not tell, or tells of a leak.

    A lined wall or a room that drifts reads as a leak in a short hold, and hides the bench's own leak in a long one.
    Then the valve's leak is what the hold with it shows beyond the one without it.
    """
    found, _ = _held(run, operator, SECONDS, "tight without the valve?")
    if _leaks(run, found) and not found.bound:
        _rest(run)
        found, blank = _held(run, operator, run.bench.file.sequence.hold_s, "tight without the valve?")
        apart = leak_beside_blank(run, blank, found) if found.hold_leak_sccm is None else None
        if apart is not None:
            _take(run, apart[0], readings)
            return f"controlled: without the valve the pressure rises too: {WALLS} or the room; {OFF}"
        if found.hold_leak_sccm is None and found.explanation in OF_THE_WALL:
            run.leak_hidden = HIDDEN
            return f"controlled: {HIDDEN[0].lower()}{HIDDEN[1:]}"
    readings["leak of the bench without the valve"] = (_demand_tight(run, found), "sccm")
    return "controlled: without the valve the bench is tight"


def _rest(run: Context) -> None:
    """Let the reservoir come to rest, so that its wall begins this hold as it began the one with the valve."""
    run.bench.switch(AT_REST)
    run.bench.wait(REST_S)


def _take(run: Context, leak: Characteristic, readings: dict[str, tuple[float, str]]) -> None:
    """Let the leak be what the hold with the valve shows beyond the one without it; the rest is the bench's."""
    assert leak.value is not None
    readings["leak of the valve beyond what the bench does"] = (leak.value, "sccm")
    put_in_place(run, leak)
    run.leak_controlled = True
    run.vapour = None
    run.not_vapour = NOT_VAPOUR


def _held(run: Context, operator: Operator, seconds: float, what: str) -> tuple[HoldResult, Recording]:
    bench = run.bench
    limit_s = bench.file.draw_limit_s
    _, reached_pa = pump_to(bench, operator, run.ambient_pa, run.hold_vacuum_pa, limit_s)
    if run.ambient_pa - reached_pa < run.hold_vacuum_pa:
        bench.switch(AT_REST)
        raise BenchError(
            f"Without the valve, the port closed, the pump reaches only {(run.ambient_pa - reached_pa) / 1000:.1f} of "
            f"{run.hold_vacuum_pa / 1000:.0f} kPa of vacuum in {limit_s:.0f} s. Nothing is said about the valve.",
            hint="Is the blind plug home? Does the pump run (K3), the isolation valve open (K4), the vent close (K5)? "
            "Then hose, coupling and port seal between manifold and valve, reference valve K6, the pump's diaphragm, "
            "the transducer. Put it right, then 'benchrig bench check', then test the valve again.",
        )
    room = Room(bench)
    recording = hold_for(bench, operator, seconds, what)
    found = leak(bench, recording, run.ambient_pa, room.drift_k_s())
    bench.switch(AT_REST)
    return found, recording


def _leaks(run: Context, found: HoldResult) -> bool:
    """Whether the closed bench leaks more than its file states, or no one can tell."""
    own_sccm = math.inf if found.hold_leak_sccm is None or found.bound else found.hold_leak_sccm
    return own_sccm - run.bench.file.background.leak_sccm > _allowed_sccm(run, found)


def _allowed_sccm(run: Context, found: HoldResult) -> float:
    """By how much the closed bench may seem to leak more than its file states."""
    return SURE_U * math.hypot(found.hold_leak_sccm_u or 0.0, run.bench.file.background.u_sccm)


def _demand_tight(run: Context, found: HoldResult) -> float:
    own_sccm = found.hold_leak_sccm
    if own_sccm is None:
        slow = "the pressure rises and levels off, as by a wall (a liner, a coating) that comes back slowly"
        why = slow if found.vapour_probability >= NAMED_FROM else "; ".join(found.notes)  # no valve is on: no vapour
        raise BenchError(
            f"What the bench leaks by itself could not be measured with the port closed: {why}. "
            "Nothing is said about the valve.",
            hint="Is the room's temperature steady, the reservoir out of sun and draught? A door, a heater, a lamp "
            "nearby? Then run the test again; 'benchrig bench check' looks at the same.",
        )
    if _leaks(run, found):
        above = "above " if found.bound else ""
        stated_sccm = run.bench.file.background.leak_sccm
        raise BenchError(
            f"The bench leaks without the valve: {above}{own_sccm:.3g} sccm with the port closed, "
            f"{stated_sccm:.2g} ± {_allowed_sccm(run, found):.2g} sccm allowed. Nothing is said about the valve.",
            hint="Is the blind plug home? Then hose, coupling and port seal between manifold and valve, clamps, vent "
            "K5 and reference valve K6. A draught or sun on the reservoir (ambient temperature) reads as a leak too. "
            "Put it right, then 'benchrig bench check', then test the valve again.",
        )
    run.leak_controlled = True
    return own_sccm


def _open(run: Context, operator: Operator) -> float:
    bench = run.bench
    _, reached_pa = pump_to(bench, operator, run.ambient_pa, bench.file.reservoir.hold_vacuum_kpa * 1000, LINE_S)
    bench.switch(AT_REST)
    vacuum_pa = run.ambient_pa - reached_pa
    if vacuum_pa > LINE_PA:
        raise BenchError(
            f"The bench lets no air through: with nothing on the port the pump draws {vacuum_pa / 1000:.1f} kPa of "
            f"vacuum, at most {LINE_PA / 1000:.0f} kPa allowed. Nothing is said about the valve.",
            hint="Hose, coupling and filter between manifold and port: blocked or kinked? Is the port really open?",
        )
    return vacuum_pa / 1000
