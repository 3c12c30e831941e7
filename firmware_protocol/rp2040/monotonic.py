"""Microseconds that do not wrap, out of the chip's that do."""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["TICKS_PERIOD", "Monotonic"]

TICKS_PERIOD = 1 << 30  # where time.ticks_us starts again at 0 on this chip, in microseconds (from memory)


class Monotonic:
    """Counts on where `ticks_us` starts again. Must be asked at least once in `TICKS_PERIOD` (17.9 minutes).

    Parameters
    ----------
    ticks_us : callable
        A count of microseconds modulo `TICKS_PERIOD`.

    Examples
    --------
    >>> ticks = iter([TICKS_PERIOD - 5, TICKS_PERIOD - 1, 2])
    >>> clock = Monotonic(lambda: next(ticks))
    >>> clock.now_us(), clock.now_us()
    (4, 7)
    """

    def __init__(self, ticks_us: "Callable[[], int]") -> None:
        self._ticks_us = ticks_us
        self._last = ticks_us()
        self._us = 0

    def now_us(self) -> int:
        """Microseconds since the start; never goes back."""
        ticks = self._ticks_us()
        self._us += (ticks - self._last) & (TICKS_PERIOD - 1)
        self._last = ticks
        return self._us

    def us_between(self, before: int, after: int) -> int:
        """Microseconds at the middle between two counts of `ticks_us` that were taken just now."""
        now_us = self.now_us()
        ago = ((self._last - before) & (TICKS_PERIOD - 1)) + ((self._last - after) & (TICKS_PERIOD - 1))
        return now_us - ago // 2
