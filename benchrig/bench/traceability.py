"""What a run rests on: the last bench check and the calibrations that count; and what is missing of them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from benchrig.bench.calibrations import Calibration, newest
from benchrig.bench.clock_steps import CLOCK_STEP
from benchrig.bench.constants import KINDS
from benchrig.bench.exchanged_parts import CHECK, Made, swapped
from benchrig.errors import NotCalibrated

if TYPE_CHECKING:  # the store, which reads grounds, does without pydantic
    from benchrig.bench.file import BenchFile

__all__ = [
    "BenchKey",
    "CheckDone",
    "Missing",
    "Traceability",
    "TraceabilityItem",
    "assess_traceability",
    "require_traceability",
]

ALLOW = "--allow-uncalibrated"
FEW = 3
SLACK = timedelta(minutes=5)
"""Clocks of two computers on one store may differ by so much."""
SAME_DAY = timedelta(hours=24)
PROGRAM_MADE = datetime(2026, 11, 1, tzinfo=UTC)
"""No clock is right that is before this."""


@dataclass(frozen=True)
class BenchKey:
    """Which bench. A simulated one is another bench with every seed; a real one has none."""

    name: str
    simulated: bool
    seed: int | None = None


@dataclass(frozen=True)
class CheckDone:
    """The last bench check, in short."""

    number: int
    passed: bool
    ended: datetime
    operator: str
    failed: tuple[str, ...] = ()
    """Titles of the looks that failed."""
    made_on: Made = ()
    """What identified the bench then."""

    @property
    def name(self) -> str:
        """As people say it: ``check-0003``."""
        return f"check-{self.number:04d}"


@dataclass(frozen=True)
class TraceabilityItem:
    """One thing that a run rests on. `kind` is ``check`` or the kind of a calibration; `number` as in the store."""

    kind: str
    number: int
    says: str

    @property
    def name(self) -> str:
        """As people say it: ``check-0003``, ``cal-0007``."""
        return f"{'check' if self.kind == CHECK else 'cal'}-{self.number:04d}"


@dataclass(frozen=True)
class Missing:
    """What the bench file asks for and is not there: ``bench check`` or the kind of a calibration, why, what to do."""

    what: str
    why: str
    to_do: str

    def __str__(self) -> str:
        return f"{self.what}: {self.why}"


@dataclass(frozen=True)
class Traceability:
    """All that a run rests on.

    Attributes
    ----------
    items : tuple of TraceabilityItem
        The check and the calibrations that count today.
    missing : tuple of Missing
        What the bench file asks for and is not there.
    forbidden : str
        Why no run can be made at all: the last bench check failed.
    remarks : tuple of str
        What the bench file does without.
    used : tuple of Calibration
        The calibrations that count.
    """

    items: tuple[TraceabilityItem, ...] = ()
    missing: tuple[Missing, ...] = ()
    forbidden: str = ""
    remarks: tuple[str, ...] = ()
    used: tuple[Calibration, ...] = ()
    assessed: datetime | None = None
    """When."""
    warnings: tuple[str, ...] = ()
    """Of the remarks those that somebody should act on: clock, dates in the future, exchanged parts."""

    def is_of_today(self, kind: str) -> bool:
        """Whether a calibration of that kind counts that was made within the last day."""
        return any(
            each.kind == kind and self.assessed is not None and self.assessed - each.made < SAME_DAY
            for each in self.used
        )


def assess_traceability(
    file: BenchFile,
    check: CheckDone | None,
    calibrations: Iterable[Calibration],
    now: datetime,
    *,
    present: Made = (),
    last_seen: datetime | None = None,
    clock_was: str = "",
) -> Traceability:
    """See what counts today.

    Parameters
    ----------
    file : BenchFile
        What it asks for.
    check : CheckDone or None
        The last bench check of this bench, passed or not.
    calibrations : iterable of Calibration
        All of this bench.
    now : datetime
        With its time zone.
    present : tuple of (str, str)
        What identifies the bench now; what was made on another board, meter or reservoir does not count. Empty: not
        known yet, and not asked.
    last_seen : datetime or None
        Of the last run or check in the store: the clock cannot be before it.
    clock_was : str
        What was done to the clock since the last run, by `benchrig.bench.clock_steps.stepped`.
    """
    found: list[TraceabilityItem] = []
    missing: list[Missing] = []
    remarks: list[str] = _clock(now, last_seen, clock_was)
    forbidden = ""
    if check is not None and check.ended > now + SLACK:
        remarks.append(f"{check.name} is dated {_when(check.ended)}, in the future: it does not count")
        check = None if check.passed else check
    if check is not None and check.passed and (other := swapped(CHECK, check.made_on, present)):
        remarks.append(f"{check.name} does not count: {other}")
        check = None
    calibrations = tuple(calibrations)
    ahead = [each for each in calibrations if each.made > now + SLACK]
    remarks += [f"{each.name} is dated {_when(each.made)}, in the future: it does not count" for each in ahead]
    calibrations = [each for each in calibrations if each not in ahead]
    told = len(remarks)
    if check is not None and not check.passed:
        last = f"last bench check, {check.name} of {_when(check.ended)}, failed: {', '.join(check.failed)}"
        if file.check.needed:
            forbidden = f"The {last}."
        else:
            remarks.append(f"the {last}; the bench file asks for no bench check")
    elif check is not None and now - check.ended <= timedelta(hours=file.check.valid_h):
        found.append(
            TraceabilityItem("check", check.number, f"{check.name} of {_when(check.ended)}, passed ({check.operator})")
        )
    elif file.check.needed:
        allowed = f"{file.check.valid_h:g} h are allowed"
        age = "none was ever made" if check is None else f"the last one is {_age(now - check.ended)} old, {allowed}"
        missing.append(Missing("bench check", age, "Run 'benchrig bench check': two minutes."))
    else:
        remarks.append("the bench file asks for no bench check")
    warnings = list(remarks[:told])
    current = newest(calibrations)
    used = []
    for kind in KINDS:
        calibration = current.get(kind)
        other = "" if calibration is None else swapped(kind, calibration.made_on, present)
        if calibration is not None and other:
            warnings.append(f"{calibration.name} ({kind}) does not count: {other}")
            if kind in file.calibration.needed:
                missing.append(Missing(kind, other, f"Run 'benchrig bench calibrate {kind}'."))
        elif calibration is not None and now <= calibration.until:
            used.append(calibration)
            found.append(TraceabilityItem(kind, calibration.number, says(calibration)))
        elif kind in file.calibration.needed:
            why = "never calibrated" if calibration is None else f"expired on {calibration.until:%Y-%m-%d}"
            missing.append(Missing(kind, why, f"Run 'benchrig bench calibrate {kind}'."))
    if not file.calibration.needed and not used:
        remarks.append("its constants are those of the bench file, which asks for no calibration")
    remarks = [*warnings, *remarks[told:]]
    return Traceability(tuple(found), tuple(missing), forbidden, tuple(remarks), tuple(used), now, tuple(warnings))


def _clock(now: datetime, last_seen: datetime | None, clock_was: str) -> list[str]:
    """What is wrong with the computer's clock, as far as can be seen."""
    if now < PROGRAM_MADE:
        return [f"the computer's clock says {_when(now)}, before this program was made: set it"]
    if last_seen is not None and last_seen > now + CLOCK_STEP:
        return [f"the computer's clock says {_when(now)}, before the last run or check ({_when(last_seen)}): set it"]
    if clock_was:
        since = "" if last_seen is None else f" ({_when(last_seen)})"
        return [f"the computer's clock {clock_was} since the last run{since} and says {_when(now)}: set it right"]
    return []


def require_traceability(traceability: Traceability, *, allow_uncalibrated: bool) -> None:
    """Stop a run that has nothing to rest on.

    Raises
    ------
    NotCalibrated
        The last check failed; or something is missing, and the operator did not allow that. Names all, with what to do.
    """
    if traceability.forbidden:
        raise NotCalibrated(
            traceability.forbidden,
            hint="Put right what it named, then run 'benchrig bench check' again; until then no run can be trusted.",
        )
    if traceability.missing and not allow_uncalibrated:
        listed = "\n".join(f"  {each}" for each in traceability.missing)
        raise NotCalibrated(
            f"The bench is not ready to be trusted:\n{listed}",
            hint="\n".join([*_to_do(traceability), f"Or add {ALLOW}: every result is then marked uncalibrated."]),
        )


def _to_do(traceability: Traceability) -> list[str]:
    """What to do about all that is missing; many calibrations in one line."""
    uncalibrated = [each.what for each in traceability.missing if each.what in KINDS]
    if len(uncalibrated) < FEW:
        return [each.to_do for each in traceability.missing]
    rest = [each.to_do for each in traceability.missing if each.what not in KINDS]
    return [*rest, f"Run 'benchrig bench calibrate' for each of {', '.join(uncalibrated)}."]


def says(calibration: Calibration) -> str:
    """One calibration in a line: constants, reference, certificate, date, who, until when."""
    constants = ", ".join(each.said for each in calibration.constants)
    by = "; ".join(
        f"{each.name}{f' (certificate {each.certificate})' if each.certificate else ''}"
        for each in calibration.references
    )
    against = f"by {by}" if by else calibration.how
    who = f"{calibration.made:%Y-%m-%d} ({calibration.operator})"
    return f"{calibration.name}: {constants}, {against}, {who}, until {calibration.until:%Y-%m-%d}"


def _when(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M} UTC"


def _age(span: timedelta) -> str:
    hours = span.total_seconds() / 3600
    return f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.0f} days"
