"""The bench check as a whole: rest, reference resistor, short, blind plug, open port; outputs always off at the end."""

from __future__ import annotations

from collections.abc import Callable

from benchrig import stop_requests
from benchrig.bench.bench import Bench
from benchrig.bench.check_result import CheckItem, CheckResult
from benchrig.bench.safe_shutdown import safe_on_error
from benchrig.clock import utc_now
from benchrig.sequencer.check.electric import (
    AT_REST_LOOKS,
    RESISTOR_LOOKS,
    SHORT_LOOKS,
    at_rest,
    with_resistor,
    with_short,
)
from benchrig.sequencer.check.findings import ONLY_WITH_TANK, ONLY_WITHOUT_TANK, TITLES, Findings
from benchrig.sequencer.check.vacuum import BLIND_LOOKS, LINE_LOOKS, with_blind_plug, with_open_port
from benchrig.sequencer.operator import Fitting, Operator, put_on

__all__ = ["bench_check"]

COIL_LIMIT_S = 5.0
"""The reference resistor is on the supply for under two seconds."""


def bench_check(
    bench: Bench,
    operator: Operator,
    *,
    operator_name: str,
    program: str,
    barometer_pa: float | None = None,
    tell: Callable[[CheckItem], None] = lambda _: None,
) -> CheckResult:
    """Look at the whole bench.

    Parameters
    ----------
    bench : Bench
        Open, not yet connected.
    operator : Operator
        Who connects what.
    operator_name, program : str
        For the record.
    barometer_pa : float or None
        Station pressure now; None takes the one in the bench file, if there is one.
    tell : callable
        Called with each look as it comes.

    Returns
    -------
    CheckResult
        Whatever was found. A bench that does not answer is a failed look too, and the looks after it are not done; only
        a bug or the operator's stop (`KeyboardInterrupt`) gets out of here as an exception. The outputs are off.
    """
    found = Findings(tell, without=ONLY_WITH_TANK if bench.file.tank is None else ONLY_WITHOUT_TANK)
    started = utc_now()
    began_s = bench.clock.now()
    if barometer_pa is None and bench.file.bench.barometer_kpa is not None:
        barometer_pa = bench.file.bench.barometer_kpa * 1000
    with safe_on_error(bench):
        with found.part(("answers",)):
            bench.connect()
            bench.arm(COIL_LIMIT_S)
            found.measured("answers", 0.0, "faults", high=0.0)
        air_pa = float("nan")
        if not found.dead and found.passed("answers"):
            with found.part(AT_REST_LOOKS):
                air_pa = at_rest(bench, found, barometer_pa)
        if found.passed("supply"):
            _electric(bench, operator, found)
        if found.passed("atmosphere"):
            _pneumatic(bench, operator, found, air_pa)
        found.left_out(tuple(TITLES), found.dead or "a look before it failed")
        with stop_requests.ending():
            safe, state = bench.make_safe()
        if not safe:
            found.failed(
                "answers", f"the bench could not be made safe: {state}", "Emergency stop; then board and cable."
            )
        elif not found.dead:
            operator.connect(Fitting.VALVE)
    return CheckResult(
        items=tuple(found.items[name] for name in TITLES if name in found.items),
        started=started,
        ended=utc_now(),
        operator=operator_name,
        bench_seconds=bench.clock.now() - began_s,
        bench_file_sha256=bench.loaded.sha256,
        board=bench.board_name,
        meter=bench.meter_name,
        program=program,
    )


def _electric(bench: Bench, operator: Operator, found: Findings) -> None:
    resistor = bench.file.reference_resistor
    if resistor is None:
        todo = "Add it, with its certificate."
        found.left_out((*RESISTOR_LOOKS, *SHORT_LOOKS), "the bench file has no [reference_resistor]", todo)
        return
    safe = False
    with found.part(RESISTOR_LOOKS):
        put_on(bench, operator, Fitting.RESISTOR, COIL_LIMIT_S)
        safe = with_resistor(bench, found, resistor)
    if found.dead:
        return
    if not safe:
        found.left_out(SHORT_LOOKS, "the coil switch is not known to be off: nothing is shorted")
        return
    with found.part(SHORT_LOOKS):
        put_on(bench, operator, Fitting.SHORT, COIL_LIMIT_S)
        with_short(bench, found)


def _pneumatic(bench: Bench, operator: Operator, found: Findings, air_pa: float) -> None:
    if found.dead:
        return
    with found.part(BLIND_LOOKS):
        put_on(bench, operator, Fitting.BLIND, COIL_LIMIT_S)
        with_blind_plug(bench, operator, found, air_pa)
    if found.dead or not found.passed("pump_down"):
        return
    with found.part(LINE_LOOKS):
        put_on(bench, operator, Fitting.OPEN, COIL_LIMIT_S)
        with_open_port(bench, operator, found, air_pa)
