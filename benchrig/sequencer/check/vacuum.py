"""The pneumatic half of the bench check: pump, isolation, vent, tightness, reference leak, transducer, line."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from benchrig.analysis.calibration.volume import choked_sccm
from benchrig.analysis.leak.hold_vacuum import HoldResult, analyse_hold
from benchrig.bench.bench import Bench, Recording
from benchrig.bench.file import BenchFile, FlowTable
from benchrig.bench.wiring import AT_REST, closed_up, pumping
from benchrig.drivers.relay_board import Channel, Output
from benchrig.sequencer.check.electric import ALLOWED_U
from benchrig.sequencer.check.findings import Findings
from benchrig.sequencer.check.tank import NO_LET_DOWN, tank_tight
from benchrig.sequencer.operator import Operator
from benchrig.sequencer.pump_down import pumped

__all__ = [
    "BLIND_LOOKS",
    "LINE_LOOKS",
    "flow_today_sccm",
    "hold_for",
    "known_of_hold",
    "pump_to",
    "with_blind_plug",
    "with_open_port",
]

BLIND_LOOKS = (
    "pump_off", "isolation_off", "pump_down", "tight", "reference", "volume", "deep", "tank", "vent", "response",
)  # fmt: skip
LINE_LOOKS = ("line",)

WATCH_S = 1.5
STEADY_PA = 300.0
"""A pump that runs while it should not draws several kilopascals in `WATCH_S`."""
HOLD_S, REFERENCE_S = 20.0, 15.0
GROSS = 0.25
"""The reference leak is there and no other, within this part; closer, its certificate vouches for the volume."""
PERIOD_S = 0.005
LEAD_IN = 20
LEVEL_PA_S = 25.0
DEEP_LIMIT_S = 60.0
VENT_S, VENT_PERIOD_S = 1.5, 0.002
VENT_MORE_S = 8.0
VENTED_PA = 500.0
RESPONSE_S = 0.5
"""From the vent's switch to nineteen twentieths of the way: valve's travel, filling, and a transducer of 3 ms."""
SETTLED_PART = 0.95
NO_PUMP_DOWN = (
    "Does the pump run (K3)? Does the vent close (K5) and the isolation valve open (K4)? Is the blind plug home? Then "
    "hoses, then the pump's diaphragm."
)
LINE_S = 4.0
LINE_PA = 3_000.0
"""A small pump draws well under a kilopascal through an open hose."""


def pump_to(
    bench: Bench,
    operator: Operator,
    air_pa: float,
    vacuum_pa: float,
    limit_s: float,
    *,
    coil: bool = False,
    course: list[tuple[float, float]] | None = None,
) -> tuple[float, float]:
    """Draw the closed manifold down; return seconds taken and pressure when shut off. Leaves the pump running.

    Seconds and pressures on the way go into `course`.
    """
    if course is not None:
        course.append((0.0, air_pa))
    seconds, pressure_pa = 0.0, air_pa
    for seconds, seen_pa, pressure_pa in pumped(bench, air_pa, vacuum_pa, coil=coil):
        if course is not None:
            course.append((seconds, seen_pa))
        operator.doing("drawing down", seconds, limit_s, f"{(air_pa - pressure_pa) / 1000:.1f} kPa vacuum")
        if air_pa - pressure_pa >= vacuum_pa or seconds >= limit_s:
            break
    return seconds, pressure_pa


def hold_for(
    bench: Bench, operator: Operator, seconds: float, what: str, *, pump_was_on: bool = True, coil: bool = False
) -> Recording:
    """Shut the manifold off from the running pump, stop the pump, and record the pressure for so many seconds."""

    def show(so_far: Recording) -> bool:
        operator.doing(
            what, float(so_far.time_s[-1]), seconds, f"{so_far.columns['pressure_pa'][-20:].mean() / 1000:.2f} kPa"
        )
        return False

    if not pump_was_on:
        return bench.record((Channel.PRESSURE,), period_s=PERIOD_S, samples=round(seconds / PERIOD_S), enough=show)
    return bench.record(
        (Channel.PRESSURE,),
        period_s=PERIOD_S,
        samples=LEAD_IN + round(seconds / PERIOD_S),
        switch_at=LEAD_IN,
        switch_to=closed_up(coil=coil) | {Output.PUMP},
        release_at=LEAD_IN + round(0.1 / PERIOD_S),
        release_to=closed_up(coil=coil),
        enough=show,
    )


def known_of_hold(file: BenchFile, ambient_pa: float, ambient_k: float) -> dict[str, Any]:
    """What a bench file says of every hold on it, and the air around it, as `analyse_hold` takes it."""
    return {
        "volume_m3": file.reservoir.volume_m3,
        "volume_u_m3": file.reservoir.volume_u_m3,
        "ambient_pa": ambient_pa,
        "ambient_k": ambient_k,
        "ambient_u_k": file.thermistor.u_k,
        "pressure_u_pa": file.transducer.u_pa,
        "thermal_time_constant_s": file.heat.time_constant_s,
        "thermal_time_constant_u_s": file.heat.u_s,
        "response_s": file.transducer.response_ms * 1e-3,
    }


def leak(bench: Bench, recording: Recording, air_pa: float, drift_k_s: tuple[float, float] | None = None) -> HoldResult:
    """The whole leak into the manifold, the bench's own included; `drift_k_s` of the room, with its u, if known."""
    return analyse_hold(
        recording.time_s,
        recording.columns["pressure_pa"],
        **known_of_hold(bench.file, air_pa, bench.ambient_k()),
        ambient_drift_k_s=None if drift_k_s is None else drift_k_s[0],
        ambient_drift_u_k_s=None if drift_k_s is None else drift_k_s[1],
    )


def with_blind_plug(bench: Bench, operator: Operator, found: Findings, air_pa: float) -> None:
    """Look at pump, valves and tightness with the port plugged."""
    file = bench.file
    if not _idle(bench, found, air_pa):
        return
    wanted_pa = file.reservoir.hold_vacuum_kpa * 1000
    limit_s = min(file.draw_limit_s, 1.5 * file.draw_down_s)
    seconds, reached_pa = pump_to(bench, operator, air_pa, wanted_pa, limit_s)
    vacuum_pa = air_pa - reached_pa
    if not found.measured(
        "pump_down",
        seconds,
        "s",
        high=limit_s - 1e-9 if vacuum_pa < wanted_pa else limit_s,
        why=f"only {vacuum_pa / 1000:.1f} of {wanted_pa / 1000:.0f} kPa of vacuum after {seconds:.1f} s",
        to_do=NO_PUMP_DOWN if file.tank is None else NO_LET_DOWN,
    ):
        bench.switch(AT_REST)
        return
    own = leak(bench, hold_for(bench, operator, HOLD_S, "own leak"), air_pa)
    own_sccm, own_u = _leak_of(own)
    _tight(bench, found, own_sccm, own_u)
    _reference(bench, operator, found, air_pa, own_sccm, own_u)
    _deep(bench, operator, found)
    if file.tank is not None:
        tank_tight(bench, operator, found, file.tank)
    _vent(bench, found, air_pa)


def _idle(bench: Bench, found: Findings, air_pa: float) -> bool:
    """Whether pump and isolation valve are quiet while they should be."""
    looks = (
        ("pump_off", frozenset({Output.VENT, Output.ISOLATION}), "the pump runs while it is switched off", "K3"),
        (
            "isolation_off",
            frozenset({Output.VENT, Output.PUMP}),
            "the pump draws through the closed isolation valve",
            "K4",
        ),
    )
    sound = True
    for name, state, why, relay in looks if bench.file.tank is None else looks[1:]:
        bench.switch(state)
        bench.wait(WATCH_S)
        fell_pa = air_pa - bench.pressure_pa(100)
        bench.switch(AT_REST)
        sound &= found.measured(
            name,
            fell_pa,
            "Pa vacuum",
            high=STEADY_PA,
            why=f"{why}: {relay} is welded or stuck",
            to_do=f"Listen and look: does {relay} switch? Replace it.",
        )
        bench.wait(1.0)
    return sound


def _leak_of(result: HoldResult) -> tuple[float, float]:
    value = math.inf if result.hold_leak_sccm is None or result.bound else result.hold_leak_sccm
    return value, 0.0 if result.hold_leak_sccm_u is None else result.hold_leak_sccm_u


def _tight(bench: Bench, found: Findings, own_sccm: float, own_u: float) -> None:
    file = bench.file
    room = ALLOWED_U * math.hypot(own_u, file.background.u_sccm)
    why = f"the bench file takes {file.background.leak_sccm:.2g} sccm off every leak"
    reference = file.reference_leak
    if reference is not None and abs(own_sccm - reference.sccm) < 0.1 * reference.sccm:
        why = f"that is as much as the reference leak ({reference.sccm:g} sccm): does K6 stay open?"
    found.measured(
        "tight",
        own_sccm,
        "sccm",
        u=own_u,
        low=file.background.leak_sccm - room,
        high=min(file.background.leak_sccm + room, file.check.leak_most_sccm),
        why=why,
        to_do="Blind plug and hoses: reseat; then clamps, vent and reference valve K6. If it stays that small, "
        "'benchrig bench calibrate background'.",
    )


def _reference(bench: Bench, operator: Operator, found: Findings, air_pa: float, own_sccm: float, own_u: float) -> None:
    reference = bench.file.reference_leak
    if reference is None:
        found.left_out(
            ("reference", "volume"), "the bench file has no [reference_leak]", "Add it, with its certificate."
        )
        return
    bench.switch(closed_up(coil=False) | {Output.REFERENCE})
    bench.wait(0.5)
    both = leak(bench, hold_for(bench, operator, REFERENCE_S, "reference leak", pump_was_on=False), air_pa)
    bench.switch(closed_up(coil=False))
    both_sccm, both_u = _leak_of(both)
    wanted = flow_today_sccm(bench, reference, air_pa)
    measured = both_sccm - own_sccm if math.isfinite(own_sccm) else both_sccm
    u_sccm = math.sqrt(both_u**2 + own_u**2 + reference.u_sccm**2)
    room = max(GROSS * wanted, ALLOWED_U * u_sccm)
    if found.measured(
        "reference",
        measured,
        "sccm",
        u=u_sccm,
        low=wanted - room,
        high=wanted + room,
        why="nothing comes through it: does K6 open?"
        if measured < 0.2 * wanted
        else f"its certificate says {wanted:.2f} sccm today: its filter, or the volume in the bench file",
        to_do="Does K6 switch? The reference leak's filter; then 'benchrig bench calibrate volume'.",
    ):
        _volume(bench, found, (both_sccm, both_u), (own_sccm, own_u), wanted)


def _volume(
    bench: Bench, found: Findings, both: tuple[float, float], own: tuple[float, float], wanted_sccm: float
) -> None:
    """Compare the volume that the certified leak tells with the one in use: what is wrong there no trace shows.

    `both` and `own`: leak with and without the reference, sccm, as the volume in use has them, with uncertainties; what
    these hold of that volume's own uncertainty is not part of this comparison, so that it is on the wide side.
    """
    file = bench.file
    in_use_l, part_u = file.reservoir.volume_l, file.reservoir.u_relative
    reference = file.reference_leak
    assert reference is not None  # whoever calls this has measured it
    own_sccm, own_u = own if math.isfinite(own[0]) else (0.0, 0.0)
    through = both[0] - own_sccm
    by_leak_l = in_use_l * wanted_sccm / through
    relative = math.hypot(math.hypot(both[1], own_u) / through, reference.u_sccm / reference.sccm)
    room_l = ALLOWED_U * math.hypot(by_leak_l * relative, in_use_l * part_u)
    against = [each for each in bench.traceability.used if each.kind == "volume"]
    by_vessel = any(one.name == "known volume" for each in against for one in each.references)
    likelier = (
        "it was calibrated against a vessel, so the leak's filter is the likelier cause"
        if by_vessel
        else "no vessel vouches for it, so it is the likelier cause"
    )
    found.measured(
        "volume",
        by_leak_l,
        "L",
        u=by_leak_l * relative,
        low=in_use_l - room_l,
        high=in_use_l + room_l,
        why=f"{in_use_l:.4g} L are in use, {100 * abs(in_use_l / by_leak_l - 1):.0f} % "
        f"{'more' if in_use_l > by_leak_l else 'less'} than the leak of {wanted_sccm:.2f} sccm tells, and "
        f"every leak and flow is off by as much; {likelier}",
        to_do="Hose, filter or manifold changed since the volume was measured? The reference leak's filter and "
        "certificate; then 'benchrig bench calibrate volume'.",
    )


def flow_today_sccm(bench: Bench, flow: FlowTable, air_pa: float) -> float:
    """What a certified choked flow is in today's air."""
    return choked_sccm(
        flow.sccm,
        from_pa=flow.from_kpa * 1000,
        at_k=flow.at_c + 273.15,
        ambient_pa=air_pa,
        ambient_k=bench.ambient_k(),
    )


def _deep(bench: Bench, operator: Operator, found: Findings) -> None:
    """Pump until the pressure falls no more: the pump's end, and the transducer far from air."""
    check = bench.file.check
    bench.switch(pumping(coil=False))
    began_s = bench.clock.now()
    limit_s = DEEP_LIMIT_S * bench.file.draw_limit_s / bench.file.reservoir.pump_limit_s
    history: list[tuple[float, float]] = []
    while True:
        bench.wait(0.5)
        seconds = bench.clock.now() - began_s
        pressure_pa = bench.pressure_pa(100)
        history.append((seconds, pressure_pa))
        operator.doing("deep vacuum", seconds, 35.0, f"{pressure_pa / 1000:.2f} kPa")
        past = [p for t, p in history if t <= seconds - 3.0]
        if seconds >= limit_s or (past and (past[-1] - pressure_pa) / 3.0 < LEVEL_PA_S):
            break
    bench.switch(closed_up(coil=False))
    found.measured(
        "deep",
        pressure_pa / 1000,
        "kPa",
        u=bench.file.transducer.u_pa / 1000,
        low=check.deep_kpa - check.deep_room_kpa,
        high=check.deep_kpa + check.deep_room_kpa,
        why=f"a sound pump reaches {check.deep_kpa:g} kPa on this bench",
        to_do="Tight in the look above? Then the pump's diaphragm and filter; then the transducer's calibration; "
        "deep_kpa in [check] of the bench file.",
    )


def _vent(bench: Bench, found: Findings, air_pa: float) -> None:
    recording = bench.record(
        (Channel.PRESSURE,),
        period_s=VENT_PERIOD_S,
        samples=50 + round(VENT_S / VENT_PERIOD_S),
        switch_at=50,
        switch_to=AT_REST,
    )
    pressure_pa = recording.columns["pressure_pa"]
    began_pa, ended_pa = float(pressure_pa[:40].mean()), float(pressure_pa[-40:].mean())
    if abs(ended_pa - air_pa) > VENTED_PA:
        bench.wait(VENT_MORE_S)  # slow is another fault than shut
        ended_pa = bench.pressure_pa(100)
    if not found.measured(
        "vent",
        ended_pa / 1000,
        "kPa",
        low=(air_pa - VENTED_PA) / 1000,
        high=(air_pa + VENTED_PA) / 1000,
        why=f"open air read {air_pa / 1000:.2f} kPa at the start",
        to_do="Does the vent valve K5 open? Its filter; then: is the transducer stuck?",
    ):
        return
    there = np.flatnonzero(pressure_pa - began_pa >= SETTLED_PART * (ended_pa - began_pa))
    found.measured(
        "response",
        float(recording.time_s[there[0]]) if len(there) else VENT_S,
        "s",
        high=RESPONSE_S,
        why="the transducer follows the opening vent too slowly",
        to_do="The transducer's hose and its filter; then the transducer; then the vent's filter.",
    )


def with_open_port(bench: Bench, operator: Operator, found: Findings, air_pa: float) -> None:
    """Look whether air comes freely from the bare port into the manifold, while the pump draws."""
    _, reached_pa = pump_to(bench, operator, air_pa, bench.file.reservoir.hold_vacuum_kpa * 1000, LINE_S)
    bench.switch(AT_REST)
    found.measured(
        "line",
        (air_pa - reached_pa) / 1000,
        "kPa vacuum",
        high=LINE_PA / 1000,
        why="the pump draws a vacuum although the port is open",
        to_do="Hose and filter between manifold and port: blocked, kinked? Is the port really open?",
    )
