"""The electrical half of the bench check: supply, thermistor, transducer in air, meter, coil switch, shunt."""

from __future__ import annotations

import math

from benchrig.analysis.statistics.uncertainty_budget import rectangular
from benchrig.bench.bench import Bench
from benchrig.bench.file import BenchFile, ResistorTable
from benchrig.bench.wiring import AT_REST
from benchrig.drivers.relay_board import Channel, Output
from benchrig.sequencer.check.findings import Findings

__all__ = ["AIR", "AT_REST_LOOKS", "RESISTOR_LOOKS", "SHORT_LOOKS", "at_rest", "with_resistor", "with_short"]

AT_REST_LOOKS = ("cable", "supply", "ripple", "thermistor", "atmosphere")
RESISTOR_LOOKS = ("meter_off", "coil_off", "resistor", "coil_on", "shunt", "load")
SHORT_LOOKS = ("zero",)

AIR = (60_000.0, 110_000.0)
"""Station pressure anywhere that people work, when no barometer was entered."""
ROOM_C = (5.0, 45.0)
ALLOWED_U = 3.0
"""A sound bench is called wrong once in 370 looks: three standard uncertainties, both sides."""
NO_CURRENT_A = 0.02
CURRENT_FLOWS = 0.5
BAROMETER_U_PA = 30.0
SAG_V = 0.6
RIPPLE_V, RIPPLE_S, RIPPLE_PERIOD_S = 0.1, 0.2, 0.0005
"""A sound supply reads steadier than this, standard deviation; a converter of 12 bits alone makes 0.006."""
QUESTIONS, TROUBLES_MOST = 40, 1
READINGS = 3
SETTLE_S = 0.3


def at_rest(bench: Bench, found: Findings, barometer_pa: float | None) -> float:
    """Look at what can be seen with everything off; return the transducer's pressure in open air."""
    file = bench.file
    bench.wait(0.5)
    before = bench.board.troubles
    for _ in range(QUESTIONS):
        bench.feed()
    found.measured(
        "cable",
        float(bench.board.troubles - before),
        f"of {QUESTIONS} frames bad",
        high=float(TROUBLES_MOST),
        why="frames to and from the board are lost, damaged, late or come twice",
        to_do="Another cable, another socket, no hub; keep it away from pump and coil leads.",
    )
    found.measured(
        "supply",
        bench.supply_v(),
        "V",
        low=file.supply.low_v,
        high=file.supply.high_v,
        why="the coil supply is off, weak or set wrong",
        to_do="Is the supply on, its fuse whole? Then its setting, then the divider in [supply] of the bench file.",
    )
    samples = round(RIPPLE_S / RIPPLE_PERIOD_S)
    ripple = bench.record((Channel.SUPPLY,), period_s=RIPPLE_PERIOD_S, samples=samples).columns["voltage_v"]
    found.measured(
        "ripple",
        float(ripple.std()),
        "V rms",
        high=RIPPLE_V,
        why="the supply is not steady",
        to_do="Its clamps and fuse holder; then the supply itself, on another load.",
    )
    found.measured(
        "thermistor",
        bench.ambient_k() - 273.15,
        "degC",
        low=ROOM_C[0],
        high=ROOM_C[1],
        why="no workshop is that cold or hot",
        to_do="Thermistor's plug; then r25_ohm, beta_k and pull_up_ohm in the bench file.",
    )
    air_pa = sum(bench.pressure_pa(200) for _ in range(5)) / 5
    entered = barometer_pa is not None
    middle = barometer_pa or 0.0
    room = ALLOWED_U * math.hypot(file.transducer.u_pa, file.barometer.u_pa if file.barometer else BAROMETER_U_PA)
    found.measured(
        "atmosphere",
        air_pa / 1000,
        "kPa",
        u=file.transducer.u_pa / 1000,
        low=(middle - room if entered else AIR[0]) / 1000,
        high=(middle + room if entered else AIR[1]) / 1000,
        why="it does not agree with the barometer" if entered else "open air has no such pressure",
        to_do="Was the barometer's station pressure entered, not that at sea level? Is the vent blocked? Then "
        "'benchrig bench calibrate transducer'.",
    )
    return air_pa


def with_resistor(bench: Bench, found: Findings, resistor: ResistorTable) -> bool:
    """Look at meter, coil switch and shunt with the reference resistor on the plug.

    Returns
    -------
    bool
        Whether it is safe to short the plug: the coil switch is not welded.
    """
    file = bench.file
    stray = bench.meter_readings_ohm(1)[0]
    if math.isfinite(stray):
        found.failed(
            "meter_off",
            f"the meter reads {stray:.2f} ohm with its route switched off: the relay is welded",
            "Replace the relay K2.",
        )
        return False  # nothing is energised while the meter hangs on the coil's plug
    found.measured("meter_off", 0.0, "contacts closed", high=0.0)
    bench.switch(AT_REST)
    bench.wait(SETTLE_S)
    idle_a = bench.current_a()
    safe = found.measured(
        "coil_off",
        idle_a,
        "A",
        low=-NO_CURRENT_A,
        high=NO_CURRENT_A,
        why="current flows with the coil supply switched off: the switch is welded, or the shunt's zero is off",
        to_do="Pull the supply's fuse, then replace the coil switch K1.",
    )
    if not safe:
        return False  # nor is the meter brought to a plug that may be live
    _resistance(bench, found, resistor)
    idle_v = bench.supply_v()
    bench.switch(frozenset({Output.COIL}))
    bench.wait(SETTLE_S)
    on_a = sum(bench.current_a() for _ in range(4)) / 4
    loaded_v = bench.supply_v()
    bench.switch(AT_REST)
    series_ohm = resistor.ohm + file.shunt.series_ohm
    wanted_a = loaded_v / series_ohm
    flows = found.measured(
        "coil_on",
        on_a,
        "A",
        low=CURRENT_FLOWS * wanted_a,
        why="no current flows through the reference resistor",
        to_do="Is the resistor's plug home? Then fuse and wiring; then the coil switch K1, and the shunt.",
    )
    if flows:
        u_a = wanted_a * math.sqrt(
            bench.shunt.u_relative**2
            + bench.divider.u_relative**2
            + (math.hypot(resistor.u_ohm, file.shunt.series_u_ohm) / series_ohm) ** 2
        )
        found.measured(
            "shunt",
            on_a,
            "A",
            u=u_a,
            low=wanted_a - ALLOWED_U * u_a,
            high=wanted_a + ALLOWED_U * u_a,
            why=f"{loaded_v:.2f} V over {series_ohm:.2f} ohm should drive {wanted_a:.3f} A",
            to_do="Plug and wiring for a bad contact; then 'benchrig bench calibrate shunt'.",
        )
    found.measured(
        "load",
        idle_v - loaded_v,
        "V",
        high=SAG_V,
        why="the supply gives way under load",
        to_do="Its current limit, its fuse and clamps; then the supply itself.",
    )
    return flows


def _resistance(bench: Bench, found: Findings, resistor: ResistorTable) -> None:
    meter = bench.file.meter
    _by_meter(
        bench,
        found,
        "resistor",
        wanted_ohm=resistor.ohm,
        u_ohm=math.sqrt(meter_u_ohm(bench.file, resistor.ohm) ** 2 + meter.lead_u_ohm**2 + resistor.u_ohm**2),
        leads_ohm=meter.lead_ohm,
        why_none="the meter finds no path",
        why=f"the certificate says {resistor.ohm:g} ohm",
        to_do="Is the resistor's plug home? Then the meter's leads; the relay K2; the meter's own calibration.",
    )


def with_short(bench: Bench, found: Findings) -> None:
    """Look at the meter's zero with the leads shorted at the plug."""
    meter = bench.file.meter
    _by_meter(
        bench,
        found,
        "zero",
        wanted_ohm=meter.lead_ohm,
        u_ohm=math.hypot(meter_u_ohm(bench.file, 0.0), meter.lead_u_ohm),
        leads_ohm=0.0,
        why_none="no path through the short",
        why=f"lead_ohm is {meter.lead_ohm:g} ohm",
        to_do="Clean and reseat plug and short; then the leads; then 'benchrig bench calibrate leads'.",
    )


def _by_meter(
    bench: Bench,
    found: Findings,
    name: str,
    *,
    wanted_ohm: float,
    u_ohm: float,
    leads_ohm: float,
    why_none: str,
    why: str,
    to_do: str,
) -> None:
    """Put the mean of some readings, less the leads, against what is known to be there."""
    readings = bench.coil_readings_ohm(READINGS)
    mean_ohm = sum(readings) / len(readings) - leads_ohm
    found.measured(
        name,
        mean_ohm,
        "ohm",
        u=u_ohm,
        low=wanted_ohm - ALLOWED_U * u_ohm,
        high=wanted_ohm + ALLOWED_U * u_ohm,
        why=why_none if math.isinf(mean_ohm) else why,
        to_do=to_do,
    )


def meter_u_ohm(file: BenchFile, reading_ohm: float) -> float:
    """Standard uncertainty of one reading by the meter's specification."""
    return rectangular(file.meter.accuracy_percent / 100 * abs(reading_ohm) + file.meter.accuracy_ohm)
