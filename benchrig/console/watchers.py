"""The browsers that watch, over server-sent events: each gets the whole state once, then what changes.

https://html.spec.whatwg.org/multipage/server-sent-events.html
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from typing import Any

__all__ = ["MOST_WATCHERS", "Watchers"]

EVERY_S = 0.08
"""What changes within that time goes out together: many browsers must not cost the bench its processor."""
EACH_S = 0.0004
"""Longer by so much for each that watches: 0.16 s for 200."""
QUIET_S = 10.0
"""After so long without news a comment goes out, so that a browser that vanished is noticed."""
BEHIND = 100
"""A browser that has not taken so many pieces is let go; it comes back by itself and gets the whole state."""
MOST_WATCHERS = 1000


class Watchers:
    """Hands each piece of news to every browser.

    Parameters
    ----------
    whole : callable
        State and curves for whoever joins.
    state : callable
        The state without its curves.
    """

    def __init__(self, whole: Callable[[], dict[str, Any]], state: Callable[[], dict[str, Any]]) -> None:
        self._whole = whole
        self._state = state
        self._queues: set[asyncio.Queue[str | None]] = set()
        self._samples: list[dict[str, Any]] = []
        self._news = asyncio.Event()
        self._closed = False

    @property
    def count(self) -> int:
        """How many watch."""
        return len(self._queues)

    def changed(self, samples: dict[str, Any] | None = None) -> None:
        """Something happened; it goes out with the next round."""
        if samples is not None:
            self._samples.append(samples)
        self._news.set()

    async def hand_out(self) -> None:
        """Go round for ever."""
        while True:
            await self._news.wait()
            self._news.clear()
            text = _event({"state": self._state(), "samples": self._samples})
            self._samples = []
            for each in tuple(self._queues):
                if each.qsize() >= BEHIND:
                    self._queues.discard(each)
                    each.put_nowait(None)
                else:
                    each.put_nowait(text)
            await asyncio.sleep(EVERY_S + EACH_S * len(self._queues))

    def close(self) -> None:
        """Let all go: the server ends."""
        self._closed = True
        for each in self._queues:
            each.put_nowait(None)

    async def watch(self) -> AsyncIterator[str]:
        """What one browser gets, as long as it stays."""
        mine: asyncio.Queue[str | None] = asyncio.Queue()
        self._queues.add(mine)
        try:
            yield "retry: 500\n" + _event(self._whole())
            while not self._closed:
                try:
                    text = await asyncio.wait_for(mine.get(), QUIET_S)
                except TimeoutError:
                    text = ": still here\n\n"
                if text is None:
                    return
                yield text
        finally:
            self._queues.discard(mine)


def _event(document: dict[str, Any]) -> str:
    return f"data: {json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(',', ':'))}\n\n"
