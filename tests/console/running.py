"""A console in processes of its own, asked over HTTP as a browser asks it."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Generator, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import httpx

from benchrig.clock import RealClock

BENCHRIG = [sys.executable, "-m", "benchrig"]
PART = {"operator": "Kim", "reason": "core", "tag": "C-1042", "model": "alder-24", "purged": True}
LONGEST_S = 60.0
CLOCK = RealClock()


class RunningConsole:
    """Its two processes, and what they say."""

    def __init__(self, process: subprocess.Popen[str], address: str) -> None:
        self.process = process
        self.address = address
        self.http = httpx.Client(base_url=re.sub(r"\?.*", "", address), timeout=20, trust_env=False)
        page = self.http.get(address, follow_redirects=True)
        page.raise_for_status()
        (self.page_token,) = re.findall(r'name="page-token" content="([^"]+)"', page.text)

    def post(self, path: str, document: Any, **headers: str) -> httpx.Response:
        own = {"origin": str(self.http.base_url).rstrip("/"), "x-page-token": self.page_token}
        return self.http.post(path, content=json.dumps(document), headers={**own, **headers})

    def start(self, **part: Any) -> httpx.Response:
        return self.post("/do/start", {**PART, **part})

    def stop(self) -> None:
        self.post("/do/stop", {}).raise_for_status()

    def news(self) -> Generator[dict[str, Any], None, None]:
        """The states as they come, with the samples. Close it (`contextlib.closing`) when it is left early."""
        with self.http.stream("GET", "/live", timeout=httpx.Timeout(10, read=LONGEST_S)) as response:
            response.raise_for_status()
            for line in response.iter_lines():
                if line.startswith("data: "):
                    yield json.loads(line.removeprefix("data: "))

    def until(self, wanted: Callable[[dict[str, Any]], bool], *, answering: bool = True) -> dict[str, Any]:
        """The first state that is wanted; questions are answered as by somebody who does what is asked."""
        began_s = CLOCK.now()
        with closing(self.news()) as news:
            for heard in news:
                state = heard["state"]
                if wanted(state):
                    return state
                question = state["question"]
                if answering and question is not None:
                    value = "101.3" if question["kind"] == "read" else True
                    self.post("/do/answer", {"question": question["question"], "value": value})
                assert CLOCK.now() - began_s < LONGEST_S, state
        raise AssertionError("the console fell silent")

    def joined(self) -> dict[str, Any]:
        """What a browser gets first."""
        with closing(self.news()) as news:
            return next(news)

    def ended(self) -> dict[str, Any]:
        return self.until(lambda state: state["phase"] == "ended")

    def bench_process(self) -> int:
        """The process that owns the ports."""
        (pid,) = children_of(self.process.pid)
        return pid

    def kill(self, pid: int) -> None:
        os.kill(pid, signal.SIGKILL)


def children_of(pid: int) -> list[int]:
    return [int(each) for each in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


@contextmanager
def console(*options: str) -> Iterator[RunningConsole]:
    """Start one on any free port; its simulated seconds pass as fast as they are worked out unless options say else."""
    command = [*BENCHRIG, "console", "--port", "0", *(options or ("--simulated", "--quick"))]
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as process:
        try:
            assert process.stdout is not None
            line = process.stdout.readline()
            address = re.search(r"http://\S+", line)
            assert address is not None, line
            page = RunningConsole(process, address[0].replace("0.0.0.0", "127.0.0.1"))
            with closing(page.http):
                yield page
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGINT)
                try:
                    process.wait(15)
                except subprocess.TimeoutExpired:
                    process.kill()
                    raise


def gone(pid: int, within_s: float) -> bool:
    """Whether a process has ended within that time."""
    until_s = CLOCK.now() + within_s
    while CLOCK.now() < until_s:
        stat = Path(f"/proc/{pid}/stat")
        if not stat.exists() or stat.read_text().rpartition(")")[2].split()[0] == "Z":
            return True
        CLOCK.sleep_until(CLOCK.now() + 0.02)
    return False
