"""The one line on the screen that changes while something is done; nothing where there is no terminal."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from rich.console import Console
from rich.text import Text

if TYPE_CHECKING:
    from rich.live import Live

__all__ = ["LiveLine", "append_bar"]

_BAR = 24


def append_bar(line: Text, part: float) -> None:
    """Append a bar that is full to `part` of its length."""
    full = round(min(max(part, 0.0), 1.0) * _BAR)
    line.append("━" * full, style="cyan")
    line.append("─" * (_BAR - full), style="dim")


class LiveLine:
    """Refreshed by whoever works, in its own wait loop: no second thread."""

    def __init__(self, console: Console) -> None:
        self.console = console
        self._live: Live | None = None

    def show(self, line: Text) -> None:
        """Put this line in the place of the last."""
        if not self.console.is_terminal:
            return
        if self._live is None:
            from rich.live import Live

            self._live = Live(console=self.console, auto_refresh=False, transient=True)
            self._live.start()
        self._live.update(line, refresh=True)

    def clear(self) -> None:
        """Take the line away."""
        if self._live is not None:
            self._live.stop()
            self._live = None

    @contextmanager
    def cleared(self) -> Iterator[None]:
        """Leave no line behind, whatever happens."""
        try:
            yield
        finally:
            self.clear()

    def progress(self, head: str, done_s: float, expected_s: float, reading: str) -> None:
        """Show how far something is, and the reading that a person would watch."""
        if not self.console.is_terminal:
            return
        line = Text(head)
        append_bar(line, done_s / expected_s if expected_s > 0 else 0.0)
        line.append(f" {done_s:5.1f} s  ")
        line.append(reading, style="bold")
        self.show(line)
