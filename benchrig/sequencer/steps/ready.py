"""Bench ready: supply, open air in the manifold, ambient temperature. Nothing is known of the valve yet."""

from __future__ import annotations

from benchrig.errors import BenchError
from benchrig.sequencer.context import Context
from benchrig.sequencer.steps.step_output import StepOutput

__all__ = ["AIR_LABEL", "ready"]

AIR_LABEL = "ambient pressure"
"""In kPa, among the readings."""
SETTLE_S, QUICK_SETTLE_S = 0.5, 0.15
"""The vent has opened and a manifold at the pressure of the room has come to it."""
AIR_LOW_PA, AIR_HIGH_PA = 60_000.0, 110_000.0
"""Station pressure anywhere that people work: about 4000 m above sea level to the deepest mines."""
BAROMETER_AGREES_PA = 500.0
"""Room for the weather since the barometer was last entered is not included: enter it anew each day."""
ROOM_LOW_K, ROOM_HIGH_K = 278.15, 318.15


def ready(run: Context) -> StepOutput:
    """Look at what the bench itself says.

    Raises
    ------
    BenchError
        Supply out of range; transducer or thermistor not plausible.
    """
    bench, file = run.bench, run.bench.file
    report = run.watch("ready", 1.0)
    bench.wait(SETTLE_S if run.full else QUICK_SETTLE_S)
    supply_v = bench.supply_v()
    report(f"{supply_v:.1f} V")
    if not file.supply.low_v <= supply_v <= file.supply.high_v:
        raise BenchError(
            f"Coil supply {supply_v:.2f} V; {file.supply.low_v:g} to {file.supply.high_v:g} V wanted.",
            hint="Is the supply on, its fuse whole? Then its setting, then the divider in [supply] of the bench file.",
        )
    air_pa = sum(bench.pressure_pa(200) for _ in range(3)) / 3
    report(f"{air_pa / 1000:.2f} kPa")
    if not AIR_LOW_PA <= air_pa <= AIR_HIGH_PA:
        raise BenchError(
            f"Transducer reads {air_pa / 1000:.2f} kPa with the vent open; open air is {AIR_LOW_PA / 1000:g} to "
            f"{AIR_HIGH_PA / 1000:g} kPa.",
            hint="Transducer's plug and supply; is the vent blocked? Then offset_v and volts_per_pa in the bench file.",
        )
    barometer_kpa = file.bench.barometer_kpa
    if barometer_kpa is not None and abs(air_pa - barometer_kpa * 1000) > BAROMETER_AGREES_PA:
        raise BenchError(
            f"Transducer reads {air_pa / 1000:.2f} kPa in open air, the barometer entered {barometer_kpa:.2f} kPa; "
            f"they may differ by {BAROMETER_AGREES_PA / 1000:g} kPa.",
            hint="Enter today's station pressure (not reduced to sea level) as barometer_kpa; check the transducer.",
        )
    room_k = bench.ambient_k()
    if not ROOM_LOW_K <= room_k <= ROOM_HIGH_K:
        raise BenchError(
            f"Ambient thermistor reads {room_k - 273.15:.1f} °C; "
            f"{ROOM_LOW_K - 273.15:g} to {ROOM_HIGH_K - 273.15:g} °C wanted.",
            hint="Thermistor's plug, then r25_ohm, beta_k and pull_up_ohm in the bench file.",
        )
    run.supply_v, run.ambient_pa, run.ambient_k = supply_v, air_pa, room_k
    against = {} if barometer_kpa is None else {"transducer less barometer": (air_pa - barometer_kpa * 1000, "Pa")}
    return StepOutput(
        readings={
            "coil supply": (supply_v, "V"),
            AIR_LABEL: (air_pa / 1000, "kPa"),
            "ambient temperature": (room_k - 273.15, "degC"),
            **against,
        },
        notes=tuple(bench.notes),
    )
