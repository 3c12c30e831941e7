"""The web process's end of the pipe: starts the bench process, commands it, hears it, notices when it dies."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from benchrig.console.messages import line_of
from benchrig.console.settings import BenchSettings

__all__ = ["BenchLink"]

LONGEST_LINE = 4_000_000
ENDS_WITHIN_S = 8.0
"""To make the bench safe and close the record."""


class BenchLink:
    """A bench process, started when it is first needed and again when it has died.

    Parameters
    ----------
    settings : BenchSettings
        Which bench.
    heard : callable
        Called with each message.
    died : callable
        Called with words once the process is gone without having been asked to go.
    """

    def __init__(
        self, settings: BenchSettings, heard: Callable[[dict[str, Any]], None], died: Callable[[str], None]
    ) -> None:
        self._settings = settings
        self._heard = heard
        self._died = died
        self._process: asyncio.subprocess.Process | None = None
        self._listening: asyncio.Task[None] | None = None
        self._starting = asyncio.Lock()
        self._ending = False
        self._began_s = 0.0

    @property
    def lived_s(self) -> float:
        """How long ago the last bench process was started."""
        return asyncio.get_running_loop().time() - self._began_s

    @property
    def alive(self) -> bool:
        """Whether a bench process is there."""
        return self._process is not None and self._process.returncode is None

    async def start(self) -> None:
        """Have a bench process, unless there is one."""
        async with self._starting:
            if self.alive or self._ending:
                return
            if self._listening is not None:
                await self._listening
            # A session of its own: Ctrl-C in the terminal is for the web process, which then closes the pipe.
            self._process = await asyncio.create_subprocess_exec(
                sys.executable,
                "-m",
                "benchrig.console.bench_process",
                self._settings.text(),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                limit=LONGEST_LINE,
                start_new_session=True,
            )
            self._began_s = asyncio.get_running_loop().time()
            self._listening = asyncio.create_task(self._listen(self._process))

    async def send(self, command: dict[str, Any]) -> bool:
        """Send a command; False where the bench process is gone."""
        process = self._process
        if process is None or process.stdin is None or process.returncode is not None:
            return False
        try:
            process.stdin.write(line_of(command))
            await process.stdin.drain()
        except (ConnectionError, RuntimeError):
            return False
        return True

    async def _listen(self, process: asyncio.subprocess.Process) -> None:
        assert process.stdout is not None  # for the type checker: it was asked for
        while line := await process.stdout.readline():
            with suppress(json.JSONDecodeError):  # half a line of a process that was killed
                self._heard(json.loads(line))
        status = await process.wait()
        if not self._ending:
            how = f"signal {-status}" if status < 0 else f"status {status}"
            self._died(f"The bench process ended ({how}).")

    async def close(self) -> None:
        """Close the pipe, so that the bench is made safe, and wait for the end."""
        self._ending = True
        process = self._process
        if process is None or process.stdin is None:
            return
        process.stdin.close()
        with suppress(TimeoutError):
            await asyncio.wait_for(process.wait(), ENDS_WITHIN_S)
        if self._listening is not None:
            with suppress(TimeoutError):
                await asyncio.wait_for(self._listening, 1.0)
