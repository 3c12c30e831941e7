"""What the steps of one run share."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from benchrig.analysis.results import Characteristic, Samples
from benchrig.bench.bench import Bench
from benchrig.catalogue.valve_model import ValveModel
from benchrig.sequencer.events import Watcher
from benchrig.verdict.wet import Vapour

__all__ = ["Context", "HoldRecord", "Quiet", "not_measured"]


class Quiet:
    """A watcher that looks away."""

    def step_began(self, name: str, title: str, expected_s: float) -> None:
        """Do nothing."""

    def progress(self, name: str, done_s: float, expected_s: float, reading: str) -> None:
        """Do nothing."""

    def step_ended(self, step: object) -> None:
        """Do nothing."""


@dataclass(frozen=True)
class HoldRecord:
    """The record of the hold, and what its analysis was told (see `benchrig.analysis.leak.hold_vacuum.analyse_hold`).

    Attributes
    ----------
    time_s, pressure_pa : ndarray, shape (n,)
    told : mapping
    """

    time_s: Samples
    pressure_pa: Samples
    told: Mapping[str, Any]


@dataclass
class Context:
    """The bench, the valve model and what has been found so far.

    Attributes
    ----------
    ambient_pa, ambient_k : float
        From the ready step; not a number before.
    coil : {"", "sound", "open", "short", "intermittent"}
        From the coil step. An open coil cannot be energised to any effect, a short is not energised at all.
    full : bool
        Measure everything for as long as the bench file says; otherwise each measurement ends as soon as it has told
        enough.
    held_s : float
        Seconds of the hold's record.
    coil_off_s : float
        When the coil was last switched off after it had been on for longer, on the bench's clock.
    vacuum_pa : float
        Vacuum left in the manifold at the end of the hold step.
    vapour, slow_rise : Vapour or None
        Fuel vapour, as far as the hold tells; a small rise that levels off, which may be vapour or the reservoir's wall
        and is to be looked into without the valve.
    rises_at_rest : bool
        The pressure rose in the closed manifold before the pump had run.
    not_vapour : str
        Why what looked like vapour is none, as the control found.
    leak_controlled : bool
        The control told the bench's own leak from the valve's.
    leak_hidden : str
        Why the control could not tell the bench's own leak, though nothing is wrong with the bench; empty: it could.
    held : HoldRecord or None
        The hold, for the control to compare with.
    """

    bench: Bench
    model: ValveModel
    watcher: Watcher
    full: bool = True
    began_s: float = 0.0
    ambient_pa: float = float("nan")
    ambient_k: float = float("nan")
    supply_v: float = float("nan")
    coil: Literal["", "sound", "open", "short", "intermittent"] = ""
    cold_resistance: Characteristic | None = None
    held_s: float = 0.0
    coil_off_s: float = 0.0
    vacuum_pa: float = 0.0
    reached_vacuum_pa: float | None = None
    drawn_s: float = 0.0
    """How long the last draw-down took."""
    let_down: bool = False
    """It was into a vacuum tank."""
    course: list[tuple[float, float]] = field(default_factory=list)
    """Seconds and pressures, Pa, of that draw-down."""
    expected_chill_k: float | None = None
    expected_chill_u_k: float = 0.0
    """How cold the gas should be after it, as the let-down into a vacuum tank tells, and how unsure; None: not told."""
    thermal_time_constant_s: float | None = None
    thermal_time_constant_u_s: float | None = None
    opened: bool | None = None
    clicks: int = 0
    moved: int = 0
    still: int = 0
    load_ratio: float | None = None
    load_ratio_u: float | None = None
    vapour: Vapour | None = None
    warm_c: float | None = None
    """Temperature to which the coil is to heat itself for a second look; None: no such look."""
    warmed_c: float | None = None
    """Temperature that it reached."""
    slow_rise: Vapour | None = None
    rises_at_rest: bool = False
    not_vapour: str = ""
    leak_controlled: bool = False
    leak_hidden: str = ""
    held: HoldRecord | None = None
    found: list[Characteristic] = field(default_factory=list)

    @property
    def coil_limit_s(self) -> float:
        """Longest time that the coil may be on without a break."""
        return self.model.coil_limit_s

    @property
    def hold_vacuum_pa(self) -> float:
        """Vacuum to draw for the hold step, below ambient."""
        return self.model.hold_vacuum_kpa * 1000

    @property
    def closed_when_energised(self) -> bool:
        """Whether the coil must be on to close the valve (a normally open model)."""
        return self.model.normally == "open"

    def watch(self, name: str, expected_s: float) -> Callable[[str], None]:
        """Make a reporter for one step: call it with the reading a person would watch."""
        began_s = self.bench.clock.now()

        def report(reading: str) -> None:
            self.watcher.progress(name, self.bench.clock.now() - began_s, expected_s, reading)

        return report


def not_measured(name: str, unit: str, why: str) -> Characteristic:
    """A characteristic that could not be measured, with the reason."""
    return Characteristic(name, None, None, unit, how="", why_not=why)
