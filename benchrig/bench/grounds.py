"""What a run rests on: the last bench check and the calibrations that count; and what is missing of them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from benchrig.bench.calibrated import Calibration, newest
from benchrig.bench.kinds import KINDS
from benchrig.errors import NotCalibrated

if TYPE_CHECKING:  # the store, which reads grounds, does without pydantic
    from benchrig.bench.file import BenchFile

__all__ = ["BenchKey", "CheckDone", "Ground", "Grounds", "demand", "weigh"]

ALLOW = "--allow-uncalibrated"
FEW = 3


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

    @property
    def name(self) -> str:
        """As people say it: ``check-0003``."""
        return f"check-{self.number:04d}"


@dataclass(frozen=True)
class Ground:
    """One thing that a run rests on. `kind` is ``check`` or the kind of a calibration; `number` as in the store."""

    kind: str
    number: int
    says: str


@dataclass(frozen=True)
class Grounds:
    """All that a run rests on.

    Attributes
    ----------
    grounds : tuple of Ground
        The check and the calibrations that count today.
    missing : tuple of (str, str)
        What the bench file asks for and is not there: what, and what to do about it.
    forbidden : str
        Why no run can be made at all: the last bench check failed.
    remarks : tuple of str
        What the bench file does without.
    used : tuple of Calibration
        The calibrations that count.
    """

    grounds: tuple[Ground, ...] = ()
    missing: tuple[tuple[str, str], ...] = ()
    forbidden: str = ""
    remarks: tuple[str, ...] = ()
    used: tuple[Calibration, ...] = ()


def weigh(file: BenchFile, check: CheckDone | None, calibrations: Iterable[Calibration], now: datetime) -> Grounds:
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
    """
    found: list[Ground] = []
    missing: list[tuple[str, str]] = []
    remarks: list[str] = []
    forbidden = ""
    if check is not None and not check.passed:
        forbidden = f"The last bench check, {check.name} of {_when(check.ended)}, failed: {', '.join(check.failed)}."
        if not file.check.needed:
            remarks.append(f"{forbidden[0].lower()}{forbidden[1:-1]}; the bench file asks for no bench check")
            forbidden = ""
    elif check is not None and now - check.ended <= timedelta(hours=file.check.valid_h):
        found.append(Ground("check", check.number, f"{check.name} of {_when(check.ended)}, passed ({check.operator})"))
    elif file.check.needed:
        allowed = f"{file.check.valid_h:g} h are allowed"
        age = "none was ever made" if check is None else f"the last one is {_age(now - check.ended)} old, {allowed}"
        missing.append((f"bench check: {age}", "Run 'benchrig bench check': two minutes."))
    else:
        remarks.append("the bench file asks for no bench check")
    current = newest(calibrations)
    used = []
    for kind in KINDS:
        calibration = current.get(kind)
        if calibration is not None and now <= calibration.until:
            used.append(calibration)
            found.append(Ground(kind, calibration.number, says(calibration)))
        elif kind in file.calibration.needed:
            why = "never calibrated" if calibration is None else f"expired on {calibration.until:%Y-%m-%d}"
            missing.append((f"{kind}: {why}", f"Run 'benchrig bench calibrate {kind}'."))
    if not file.calibration.needed and not used:
        remarks.append("its constants are those of the bench file, which asks for no calibration")
    return Grounds(tuple(found), tuple(missing), forbidden, tuple(remarks), tuple(used))


def demand(grounds: Grounds, *, allow_uncalibrated: bool) -> None:
    """Stop a run that has nothing to rest on.

    Raises
    ------
    NotCalibrated
        The last check failed; or something is missing, and the operator did not allow that. Names all, with what to do.
    """
    if grounds.forbidden:
        raise NotCalibrated(
            grounds.forbidden,
            hint="Mend what it named, then run 'benchrig bench check' again; until then no run can be trusted.",
        )
    if grounds.missing and not allow_uncalibrated:
        listed = "\n".join(f"  {what}" for what, _ in grounds.missing)
        raise NotCalibrated(
            f"The bench is not ready to be trusted:\n{listed}",
            hint="\n".join([*_to_do(grounds), f"Or add {ALLOW}: every result is then marked uncalibrated."]),
        )


def _to_do(grounds: Grounds) -> list[str]:
    """What to do about all that is missing; many calibrations in one line."""
    uncalibrated = [what.partition(":")[0] for what, _ in grounds.missing if what.partition(":")[0] in KINDS]
    if len(uncalibrated) < FEW:
        return [todo for _, todo in grounds.missing]
    rest = [todo for what, todo in grounds.missing if what.partition(":")[0] not in KINDS]
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
