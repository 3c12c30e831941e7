"""What the simulated multimeter's range and speed can be set to, from the parameters of its commands."""

from __future__ import annotations

from dataclasses import dataclass, replace

from simulators.instruments.ohmmeter import APERTURES_NPLC, OVER_RANGE, RANGES, Range
from simulators.instruments.scpi import ScpiError, number

__all__ = ["MeterSetting", "limited"]

_RESOLUTIONS = ((1e-4, 0.02), (1e-5, 0.2), (3e-6, 1.0), (1e-6, 10.0), (3e-7, 100.0))
"""Resolution as a part of the range, and the shortest aperture in power-line cycles that gives it."""
_COARSEST = 1e-3


@dataclass(frozen=True)
class MeterSetting:
    """Range and speed of one function."""

    range: Range = RANGES[2]
    auto: bool = True
    nplc: float = 10.0

    @property
    def resolution_ohm(self) -> float:
        """Resolution that this aperture gives on this range."""
        return self.range.full_ohm * next(part for part, nplc in _RESOLUTIONS if nplc >= self.nplc)

    @classmethod
    def configured(cls, given: list[str]) -> MeterSetting:
        """Setting for the parameters of CONFigure: range, then resolution, both in ohms, both may be left out.

        Raises
        ------
        ScpiError
            -222 out of range; -104 or -131 not a number of ohms.

        Examples
        --------
        >>> setting = MeterSetting.configured(["100", "0.01"])
        >>> setting.range.full_ohm, setting.auto, setting.nplc
        (100.0, False, 0.02)
        """
        setting = cls()
        if given and not _is_default(given[0]):
            setting = setting.with_range(given[0])
        if len(given) > 1 and not _is_default(given[1]):
            full_ohm = setting.range.full_ohm
            resolution_ohm = limited(given[1], _RESOLUTIONS[-1][0] * full_ohm, _COARSEST * full_ohm, full_ohm)
            nplc = next(nplc for part, nplc in _RESOLUTIONS if resolution_ohm >= part * full_ohm * (1 - 1e-9))
            setting = replace(setting, nplc=nplc)
        return setting

    def with_range(self, text: str) -> MeterSetting:
        """Hold the smallest range whose name is not below so many ohms; autoranging ends."""
        ohm = limited(text, 0.0, OVER_RANGE * RANGES[-1].full_ohm, 1000.0)
        return replace(self, range=next((r for r in RANGES if ohm <= r.full_ohm), RANGES[-1]), auto=False)

    def with_nplc(self, text: str) -> MeterSetting:
        """Integrate over so many power-line cycles, or the next larger number that the meter has."""
        asked = limited(text, APERTURES_NPLC[0], APERTURES_NPLC[-1], 10.0, ohms=False)
        return replace(self, nplc=next(nplc for nplc in APERTURES_NPLC if nplc >= asked))

    def with_auto(self, text: str) -> MeterSetting:
        """Switch autoranging: ON, OFF, 1 or 0."""
        words = {"ON": True, "1": True, "OFF": False, "0": False}
        if text.upper() not in words:
            raise ScpiError(-224, text)
        return replace(self, auto=words[text.upper()])


def limited(text: str, low: float, high: float, default: float, *, ohms: bool = True) -> float:
    """Read a number, MIN, MAX or DEF, and hold it against its limits.

    Raises
    ------
    ScpiError
        -222 outside the limits; -104 or -131 when it cannot be read.

    Examples
    --------
    >>> limited("MAX", 1, 1000, 1, ohms=False), limited("2 KOHM", 0, 1e6, 0)
    (1000, 2000.0)
    """
    words = {"MIN": low, "MINIMUM": low, "MAX": high, "MAXIMUM": high, "DEF": default, "DEFAULT": default}
    if text.upper() in words:
        return words[text.upper()]
    value = number(text, suffixes=None if ohms else {"": 1.0})
    if not low <= value <= high:
        raise ScpiError(-222, text)
    return value


def _is_default(text: str) -> bool:
    return text.upper() in ("DEF", "DEFAULT")
