"""The bench file: what is plugged in where, and the constants of this bench. Every mistake told at once."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from benchrig import tomlfile
from benchrig.bench.constants import KINDS_OF_CALIBRATION, Kind
from benchrig.drivers.meters import METERS, USUAL

__all__ = ["BenchFile", "FlowTable", "LoadedBenchFile", "TankTable", "load_bench_file", "parse_bench_file"]

KIND = "Bench file"
LARGEST = 1e7
"""No constant of a bench is larger in its unit; those with a narrower range have it in their table."""
Positive = Annotated[float, Field(gt=0, le=LARGEST)]
NotNegative = Annotated[float, Field(ge=0, le=LARGEST)]
Percent = Annotated[float, Field(ge=0, le=100)]
Seconds = Annotated[float, Field(gt=0, le=3600)]
Volts = Annotated[float, Field(gt=0, le=60)]
NEEDED_ON_A_REAL_BENCH = ("supply", "shunt", "transducer")
"""Tables whose defaults are the simulated bench's: a real bench says its own."""


def _known_meter(driver: str) -> str:
    if driver not in METERS:
        raise ValueError(f"no such dialect; there are: {', '.join(METERS)}")
    return driver


class _Table(BaseModel):
    # Strict: true and "0.5" are no numbers.
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class General(_Table):
    """Whose bench it is."""

    name: str = Field(min_length=1, max_length=60)
    workshop: str = Field(default="", max_length=120)
    address: str = Field(default="", max_length=160)
    """Where the workshop can be found or written to; printed below its name."""
    id: str = Field(default="", max_length=40)
    """The bench's own number, painted on it: two benches of one name are told apart by it."""
    simulated: bool = False
    barometer_kpa: float | None = Field(default=None, ge=50, le=110)
    """Station pressure (not reduced to sea level) to check the transducer against; leave it out when there is none."""
    opened_by: str = ""
    """Name of an entry point in the group ``benchrig.benches`` that opens this bench; empty: serial port and VISA."""
    stand_in: str = Field(default="", pattern=r"^([A-Za-z0-9.-]+:[0-9]{1,5})?$")
    """``HOST:PORT`` of a program that connects references in place of a person; the served simulated bench has one."""


class BoardTable(_Table):
    """The relay board."""

    port: str = Field(min_length=1)
    identity: str = Field(default="", max_length=8)
    """The eight characters that the board gives on HELLO; empty: any board will do."""


class MeterTable(_Table):
    """The multimeter, its leads and its specification (half-widths of rectangular distributions)."""

    address: str = Field(min_length=1)
    """VISA resource name, as PyVISA takes it: LAN socket, serial line, USB, GPIB, VXI-11."""
    backend: str = Field(default="@py", min_length=1)
    """VISA library: ``@py`` is PyVISA-py, which comes with benchrig; ``@ivi`` one that is installed on the computer."""
    driver: Annotated[str, AfterValidator(_known_meter)] = USUAL
    """Its dialect, of `benchrig.drivers.meters.METERS`."""
    identity: str = ""
    """Beginning of the answer to ``*IDN?``; empty: any meter will do."""
    wires: Literal[2, 4] = 4
    lead_ohm: NotNegative = 0.0
    lead_u_ohm: NotNegative = 0.004
    accuracy_percent: Percent = 0.02
    accuracy_ohm: NotNegative = 0.004
    nplc: Annotated[float, Field(ge=0.02, le=100)] = 10
    range_ohm: Positive = 100.0


class _InPercent(_Table):
    """A table whose standard uncertainty stands in percent of its value."""

    u_percent: Percent

    @property
    def u_relative(self) -> float:
        """The same as a part of the value."""
        return self.u_percent / 100


class SupplyTable(_InPercent):
    """The coil's supply."""

    low_v: Volts = 12.0
    high_v: Volts = 14.8
    divider: Annotated[float, Field(gt=0, le=1000)] = 6.0
    u_percent: Percent = 0.5

    @model_validator(mode="after")
    def _in_order(self) -> SupplyTable:
        if self.low_v >= self.high_v:
            raise ValueError(f"low_v ({self.low_v:g}) must be below high_v ({self.high_v:g})")
        return self


class ShuntTable(_InPercent):
    """Coil current to volts at the board."""

    volts_per_amp: Annotated[float, Field(gt=0, le=1000)] = 2.0
    u_percent: Percent = 0.3
    over_current_a: Annotated[float, Field(gt=0, le=20)] = 1.5
    series_ohm: NotNegative = 0.1
    """Shunt, switch and wiring between where the supply voltage is measured and the coil."""
    series_u_ohm: NotNegative = 0.05


class TransducerTable(_Table):
    """Absolute pressure in the manifold to volts at the board."""

    serial: str = Field(default="", max_length=40)
    offset_v: Annotated[float, Field(ge=-5, le=5)] = 0.2
    volts_per_pa: Annotated[float, Field(ge=1e-7, le=1e-2)] = 25.0e-6
    u_pa: NotNegative = 60.0
    scale_u_percent: Percent = 0.02
    """Of `volts_per_pa`; what a calibration at one pressure cannot see of the zero."""
    response_ms: Annotated[float, Field(gt=0, le=10_000)] = 3.0
    response_u_ms: NotNegative = 0.5
    hysteresis_pa: NotNegative = 10.0
    """What it shows on a falling pressure less what it shows on a rising one, by its data sheet; known to as much."""


class ThermistorTable(_Table):
    """Ambient temperature by an NTC thermistor under a pull-up resistor."""

    r25_ohm: Positive = 10_000.0
    beta_k: Positive = 3950.0
    pull_up_ohm: Positive = 10_000.0
    pull_up_v: Volts = 3.3
    u_k: NotNegative = 0.5


class ReservoirTable(_InPercent):
    """The reservoir with the manifold, and how far the pump draws it down."""

    volume_l: Annotated[float, Field(gt=0, le=1000)]
    serial: str = Field(default="", max_length=40)
    """Its number; another one ends the calibrations of volume, heat and background."""
    u_percent: Percent = 0.5
    hold_vacuum_kpa: Annotated[float, Field(gt=5, le=85)] = 60.0
    pump_limit_s: Seconds = 25.0

    @property
    def volume_m3(self) -> float:
        """Volume in cubic metres."""
        return self.volume_l * 1e-3

    @property
    def volume_u_m3(self) -> float:
        """Standard uncertainty of the volume in cubic metres."""
        return self.volume_m3 * self.u_relative


class TankTable(_Table):
    """A vacuum tank between pump and isolation valve K4, kept drawn down by a vacuum switch of its own."""

    volume_l: Annotated[float, Field(gt=0, le=1000)]
    let_down_s: Seconds = 1.0
    """What letting the manifold down to the hold vacuum takes from the drawn tank, on a blind port."""
    leak_most_sccm: Positive = 30.0
    """Tank, pump and check valve may let in no more than this together."""


class BackgroundTable(_Table):
    """What the closed bench leaks by itself."""

    leak_sccm: NotNegative = 0.15
    u_sccm: NotNegative = 0.05


class HeatTable(_Table):
    """How fast the gas in the reservoir takes the wall's temperature."""

    time_constant_s: Seconds = 2.5
    u_s: Seconds = 0.6
    chill_k: NotNegative | None = None
    """How much colder than the walls the gas is after pumping to the hold vacuum; left out: each hold must tell it."""
    chill_u_k: NotNegative = 2.0
    outflow_w_k: NotNegative | None = None
    """What an outflow of 1 g/s into a vacuum tank adds to that conductance; left out: each hold must tell its chill."""
    outflow_u_w_k: NotNegative = 0.3
    inflow_w_k: NotNegative | None = None
    """What an inflow of 1 g/s adds to the heat conductance between gas and wall; left out: each fill must tell it."""
    inflow_u_w_k: NotNegative = 0.3
    inflow_power: Annotated[float, Field(ge=0, le=2)] = 0.8
    """It grows with this power of the inflow: 0.8 in turbulent pipe flow, about 0.7 under jets (from memory)."""
    inflow_power_u: NotNegative = 0.2


SHORTEST_HOLD_S, SHORTEST_FLOW_S = 5.0, 2.0


class SequenceTable(_Table):
    """How long the steps take. Shorter is quicker and less sure."""

    hold_s: Annotated[float, Field(ge=SHORTEST_HOLD_S, le=600)] = 30.0
    flow_s: Annotated[float, Field(ge=SHORTEST_FLOW_S, le=60)] = 6.0
    clicks: Annotated[int, Field(ge=3, le=200)] = 10
    coil_readings: Annotated[int, Field(ge=2, le=100)] = 3
    vapour_look_s: Annotated[float, Field(ge=0, le=60)] = 5.0
    """Manifold closed around the valve before the pump runs, to see fuel vapour; 0: no such look."""
    fresh_air: bool = False
    """Where a leak shows, the pump may draw fresh air in by the vent, for a second look for vapour. Vent and pump have
    to be at opposite ends of the reservoir; not with a vacuum tank, which the fresh air would fill."""


class CheckTable(_Table):
    """The daily bench check: whether a run needs one, for how long it counts, and what is taken as sound."""

    needed: bool = True
    valid_h: Annotated[float, Field(gt=0, le=24 * 31)] = 24.0
    pump_s: Seconds = 8.0
    """How long the sound pump takes to the hold vacuum on a blind port; half as long again is the limit."""
    deep_kpa: Annotated[float, Field(gt=0, lt=90)] = 12.0
    """What the sound pump reaches on a blind port, absolute."""
    deep_room_kpa: Positive = 1.0
    leak_most_sccm: Positive = 1.0
    """The closed bench may leak no more than this."""


class EvidenceTable(_Table):
    """For how long what the runs of the day show of the bench itself counts; 0: not at all."""

    line_h: Annotated[float, Field(ge=0, le=24)] = 4.0
    """The valve before this one was accepted, or the bench check passed, within so many hours: the line is tight and
    free, and a reject needs no look without the valve."""
    recovery_h: Annotated[float, Field(ge=0, le=24)] = 12.0
    """How the gas warmed up in the long holds of so many hours is what the next one is expected to do."""


class CalibrationTable(_Table):
    """Which constants a run needs calibrated, and for how long a calibration counts."""

    needed: tuple[Kind, ...] = Field(
        default=tuple(each.kind for each in KINDS_OF_CALIBRATION.values() if each.needed), strict=False
    )
    valid_days: Annotated[float, Field(gt=0, le=3660)] = 365.0
    background_days: Annotated[float, Field(gt=0, le=3660)] = 90.0
    """Hoses age faster than reservoirs."""


class _Standard(_Table):
    """A reference with its certificate. `until` is the last day on which the certificate counts."""

    certificate: str = Field(default="", max_length=80)
    dated: date | None = Field(default=None, strict=False)
    until: date | None = Field(default=None, strict=False)


class ResistorTable(_Standard):
    """Reference resistor, in place of a coil; it must bear the supply for some seconds."""

    ohm: Positive
    u_ohm: NotNegative


class FlowTable(_Standard):
    """Reference leak: choked flow from `from_kpa` and `at_c` into a vacuum."""

    sccm: Positive
    u_sccm: NotNegative
    from_kpa: Positive = 101.325
    at_c: Annotated[float, Field(gt=-50, lt=100)] = 20.0


class VesselTable(_Standard, _InPercent):
    """A vessel of known volume, up to its tap."""

    volume_l: Annotated[float, Field(gt=0, le=1000)]


class BarometerTable(_Standard):
    """The barometer beside the bench."""

    u_pa: NotNegative


class VacuumGaugeTable(_Standard):
    """An absolute pressure gauge that can be joined to the port, read by the operator."""

    u_pa: NotNegative


class VoltmeterTable(_Standard, _InPercent):
    """A voltmeter across the reference resistor, read by the operator."""


class BenchFile(_Table):
    """The whole file."""

    bench: General
    board: BoardTable
    meter: MeterTable
    reservoir: ReservoirTable
    supply: SupplyTable = SupplyTable()
    shunt: ShuntTable = ShuntTable()
    transducer: TransducerTable = TransducerTable()
    thermistor: ThermistorTable = ThermistorTable()
    background: BackgroundTable = BackgroundTable()
    heat: HeatTable = HeatTable()
    sequence: SequenceTable = SequenceTable()
    check: CheckTable = CheckTable()
    calibration: CalibrationTable = CalibrationTable()
    evidence: EvidenceTable = EvidenceTable()
    tank: TankTable | None = None
    reference_resistor: ResistorTable | None = None
    reference_leak: FlowTable | None = None
    """Built in, behind K6."""
    known_volume: VesselTable | None = None
    barometer: BarometerTable | None = None
    voltmeter: VoltmeterTable | None = None
    vacuum_gauge: VacuumGaugeTable | None = None

    @property
    def draw_down_s(self) -> float:
        """What drawing a closed manifold down to the hold vacuum takes where all is sound."""
        return self.check.pump_s if self.tank is None else self.tank.let_down_s

    @property
    def draw_limit_s(self) -> float:
        """Longest draw-down; with a tank that has to be emptied too, longer by as much as there is more to empty."""
        more = 0.0 if self.tank is None else self.tank.volume_l / self.reservoir.volume_l
        return self.reservoir.pump_limit_s * (1.0 + more)

    @model_validator(mode="after")
    def _no_fresh_air_into_a_tank(self) -> BenchFile:
        if self.sequence.fresh_air and self.tank is not None:
            raise ValueError(
                "[sequence] fresh_air = true beside [tank]: the fresh air would fill the tank, so no such look is "
                "taken; set fresh_air = false, or leave out [tank]"
            )
        return self

    @model_validator(mode="after")
    def _all_there(self) -> BenchFile:
        gone = [f"[{name}]" for name in NEEDED_ON_A_REAL_BENCH if name not in self.model_fields_set]
        if gone and not self.bench.simulated:
            raise ValueError(
                f"{', '.join(gone)} missing; a real bench has constants of its own, so there are no defaults"
            )
        return self


@dataclass(frozen=True)
class LoadedBenchFile:
    """A bench file, where it came from, and the digest that the record keeps."""

    file: BenchFile
    where: str
    sha256: str


def load_bench_file(path: Path) -> LoadedBenchFile:
    """Read and check a bench file.

    Raises
    ------
    ConfigError
        The file cannot be read, is not TOML, or holds mistakes; all of them are named.
    """
    hint = "Check the path after --bench; 'benchrig bench show --example' prints a bench file to start from."
    return parse_bench_file(tomlfile.read_text(path, kind=KIND, hint=hint), where=str(path))


def parse_bench_file(text: str, *, where: str) -> LoadedBenchFile:
    """Check the text of a bench file; `where` names it in messages. Raises ConfigError as `load_bench_file` does."""
    table = tomlfile.table(
        text,
        kind=KIND,
        where=where,
        hint='Each line is a [table] or key = value; text stands in "quotes", numbers do not.',
    )
    try:
        file = BenchFile.model_validate(table)
    except ValidationError as error:
        raise tomlfile.mistakes(
            [_mistake(item["loc"], item["type"], item["msg"], item["input"]) for item in error.errors()],
            kind=KIND,
            where=where,
            hint="Correct these lines; 'benchrig bench show --example' prints a complete bench file with comments.",
        ) from error
    return LoadedBenchFile(file, where, hashlib.sha256(text.encode()).hexdigest())


def _mistake(loc: tuple[int | str, ...], kind: str, message: str, given: object) -> str:
    table = f"[{loc[0]}]" if loc else "the file"
    key = " ".join(str(part) for part in loc[1:])
    name = f"{table} {key}".strip()
    if kind == "missing":
        return f"{name}: missing. Add it."
    if kind == "extra_forbidden":
        return f"{name}: not a name that benchrig knows. Take it out, or check its spelling."
    shown = "" if isinstance(given, dict) else f" (is {tomlfile.shown(given)})"
    return f"{name}: {tomlfile.plain(message)}{shown}."
