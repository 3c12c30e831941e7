"""Requests from outside to stop: Ctrl-C, a closed terminal, the computer shutting down. Heard once.

Each of the signals raises `KeyboardInterrupt` where the program stands, once. What follows is the ending: outputs off,
record closed. A second Ctrl-C, or ten of them, must not cut that short, so later requests change nothing. A run that
ends by itself is protected in the same way (`ending`): a request that comes in its last moments finds it over.

Signals belong to the whole process, so the state here does too.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any

__all__ = ["check", "ending", "listen", "requested"]

_NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGBREAK")
"""Windows has no SIGHUP and no SIGQUIT, the others no SIGBREAK."""


CLOSED_WINDOW_S = 4.0
"""Windows ends a program 5 s after its window was closed, or as its handler returns (from memory, not tried)."""


class _Requests:
    """What was asked for, and whether an ending is under way."""

    def __init__(self) -> None:
        self.asked = ""
        self.endings = 0


_requests = _Requests()


def listen() -> None:
    """Hear all requests to stop from now on. For the main thread of a program, at its start."""
    _requests.asked, _requests.endings = "", 0
    for name in _NAMES:
        number = getattr(signal, name, None)
        if number is not None:
            signal.signal(number, _hear)
    if os.name == "nt":
        _hear_the_window()


def requested() -> str:
    """Name of the signal that asked first; empty when none did."""
    return _requests.asked


def check(*, wanted: bool = False) -> None:
    """Raise `KeyboardInterrupt` if a stop was asked for. For wait loops: what is raised in a callback can be lost.

    `wanted`: somebody other than a signal asks, for instance the page of a console.
    """
    if (_requests.asked or wanted) and not _requests.endings:
        raise KeyboardInterrupt(_requests.asked)


@contextmanager
def ending() -> Iterator[None]:
    """Let nothing that is asked for meanwhile cut this block short. May be nested."""
    _requests.endings += 1
    try:
        yield
    finally:
        _requests.endings -= 1


def _hear(number: int, _frame: FrameType | None) -> None:
    first = not _requests.asked
    if first:
        _requests.asked = signal.Signals(number).name
    if first and not _requests.endings:
        raise KeyboardInterrupt(_requests.asked)


_kept: list[Any] = []
"""Windows calls what it was given; nobody else holds it."""


def _hear_the_window() -> None:
    """Hear that the window is closed or Windows shuts down (SetConsoleCtrlHandler). Not tried on Windows."""
    import ctypes

    kind = ctypes.WINFUNCTYPE(ctypes.c_int, ctypes.c_uint)  # type: ignore[attr-defined]  # not where this is checked
    _kept[:] = [kind(_window_event)]
    ctypes.windll.kernel32.SetConsoleCtrlHandler(_kept[0], 1)  # type: ignore[attr-defined]


def _window_event(event: int) -> int:
    """In a thread of Windows's own: ask the program to stop, and give it the time that there is."""
    import _thread
    import threading

    if event < 2:  # CTRL_C_EVENT, CTRL_BREAK_EVENT: Python hears them as signals
        return 0
    _thread.interrupt_main(getattr(signal, "SIGBREAK", signal.SIGTERM))
    threading.Event().wait(CLOSED_WINDOW_S)
    return 1
