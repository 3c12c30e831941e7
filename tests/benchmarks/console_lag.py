"""How late the live curve is, and whether watching slows a run: over real ports, with 1 and with many browsers.

    python tests/benchmarks/console_lag.py --watchers 200 [--browser]

The age of a sample is the time from its instant at the bench until a watcher has it; the origin of the bench's seconds
is taken from the quickest message. With --browser a Chromium draws as well, and tells when each piece was drawn.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import statistics
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

from benchrig.application.paths import store_path
from benchrig.records import Store
from tests.benchmarks.console_kills import Outputs
from tests.console.running import CLOCK, RunningConsole, console

_TELL = """
addEventListener("DOMContentLoaded", () => new MutationObserver(() => requestAnimationFrame(
  () => window.drawn(Number(document.getElementById("live").dataset.at))
)).observe(document.getElementById("live"), {attributeFilter: ["data-at"]}));
"""


async def watch_blindly(host: str, port: int, until: asyncio.Event) -> int:
    """A browser that takes all there is; bytes taken."""
    reader, writer = await asyncio.open_connection(host, port)
    writer.write(f"GET /live HTTP/1.1\r\nHost: {host}:{port}\r\n\r\n".encode())
    taken = 0
    while not until.is_set():
        try:
            piece = await asyncio.wait_for(reader.read(65536), 1.0)
        except TimeoutError:
            continue
        taken += len(piece)
        if not piece:
            break
    writer.close()
    return taken


async def watched(page: RunningConsole, others: int) -> tuple[list[tuple[float, dict[str, Any]]], int]:
    """One run with so many others watching: samples with when they came, and how many of the others got news."""
    base = page.http.base_url
    until = asyncio.Event()
    blind = [asyncio.create_task(watch_blindly(str(base.host), int(base.port or 80), until)) for _ in range(others)]
    await asyncio.sleep(2.0 if others else 0.2)
    loop, heard = asyncio.get_running_loop(), []

    def measure() -> None:
        number = 0
        for news in page.news():
            came_s = CLOCK.now()
            if number == 0:
                number = page.start(tag=f"L-{others}-{came_s:.0f}").json()["number"]
            heard.extend((came_s, each) for each in news["samples"] if each["work"] == number)
            if news["state"]["number"] == number and news["state"]["phase"] == "ended":
                return

    await loop.run_in_executor(None, measure)
    until.set()
    taken = await asyncio.gather(*blind)
    return heard, sum(each > 10_000 for each in taken)


def ages_ms(heard: list[tuple[float, dict[str, Any]]]) -> tuple[list[float], list[float]]:
    """Of the newest sample of each piece, and of every sample, in ms."""
    origin_s = min(each["at"] - each["from_s"] - each["after_s"][-1] for _, each in heard)
    newest, every = [], []
    for came_s, each in heard:
        made_s = [origin_s + each["from_s"] + after for after in each["after_s"]]
        newest.append(1000 * (came_s - made_s[-1]))
        every += [1000 * (came_s - each_s) for each_s in made_s]
    return newest, every


@contextmanager
def browser(address: str, told: list[tuple[float, float]]) -> Iterator[None]:
    """A Chromium that tells the instant of each piece that it has drawn."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        page = chromium.new_page()
        page.expose_function("drawn", lambda at: told.append((CLOCK.now(), at)))
        page.add_init_script(_TELL)
        page.goto(address)
        page.wait_for_selector("#who:not([hidden])")
        yield page
        chromium.close()


def summary(values: list[float]) -> dict[str, float]:
    return {"median": round(statistics.median(values)), "p95": round(sorted(values)[int(0.95 * len(values))])}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--watchers", type=int, default=200)
    parser.add_argument("--runs", type=int, default=2, help="with one watcher and with many, in turn")
    parser.add_argument("--browser", action="store_true")
    asked = parser.parse_args()
    found: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as folder:
        os.environ["BENCHRIG_HOME"] = str(Path(folder) / "home")
        outputs = Outputs(Path(folder) / "rig")
        seconds: dict[int, list[float]] = {0: [], asked.watchers - 1: []}
        with console("--bench", str(Path(folder) / "rig" / "bench.toml")) as page:
            for _ in range(asked.runs):
                for others, kept in seconds.items():
                    heard, awake = asyncio.run(watched(page, others))
                    newest, every = ages_ms(heard)
                    record = Store(store_path()).runs(1)[0]
                    kept.append(record.bench_seconds or 0.0)
                    lag = {"newest of each piece": summary(newest), "every sample": summary(every)}
                    found.setdefault(f"{others + 1} watching", []).append(
                        {"age ms": lag, "pieces": len(heard), "others awake": awake, "verdict": record.verdict}
                    )
            if asked.browser:
                told: list[tuple[float, float]] = []
                with browser(page.address, told) as tab:
                    page.start(tag="B-1")
                    tab.wait_for_selector("#verdict:not([hidden])", timeout=60_000)
                found["told until drawn in a browser, ms"] = summary([1000 * (came_s - at) for came_s, at in told])
        outputs.process.terminate()
    means = {str(others + 1): round(statistics.mean(kept), 3) for others, kept in seconds.items()}
    found["bench seconds"] = {str(others + 1): kept for others, kept in seconds.items()}
    few, many = (statistics.mean(kept) for kept in seconds.values())
    found["slower by %"] = round(100 * (many / few - 1), 2)
    print(json.dumps({**found, "mean": means, "load": os.getloadavg()[0]}, indent=2))


if __name__ == "__main__":
    main()
