"""`qualify --bench` in real time over a pseudo-terminal and TCP, the board inside the MicroPython interpreter.

    BENCHRIG_MICROPYTHON=FOLDER python tests/benchmarks/micropython_in_real_time.py good stuck-closed seat-leak

FOLDER as for tests/firmware_protocol/test_micropython.py. Each run takes about 52 s, the sequence being the whole one.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import threading
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from click.testing import CliRunner

import simulators.simulated_bench
from benchrig.cli import cli
from simulators.entry import open_bench
from tests.firmware_protocol.micropython_board import MicroPythonBoard, micropython


def one(condition: str) -> bool:
    """One run; whether it ended as the same valve does in memory."""
    folder, node = micropython()
    boards: list[MicroPythonBoard] = []

    def board(*args: object) -> MicroPythonBoard:
        boards.append(MicroPythonBoard(*args, folder=folder, node=node))  # type: ignore[arg-type]  # as the simulated bench has it
        return boards[0]

    in_memory = CliRunner().invoke(cli, [*command(condition), "--simulated", condition])
    plain = simulators.simulated_bench.Board
    simulators.simulated_bench.Board = board  # type: ignore[misc,assignment]
    opened = open_bench({"model": "alder-24", "condition": condition, "seed": 1})
    simulators.simulated_bench.Board = plain  # type: ignore[misc]
    ready, over = threading.Event(), threading.Event()
    with tempfile.TemporaryDirectory() as place:

        def announce(line: str) -> None:
            if line.startswith("bench file"):
                ready.set()

        server = threading.Thread(
            target=lambda: opened.serve(folder=Path(place), announce=announce, until=over.is_set), daemon=True
        )
        server.start()
        ready.wait(20)
        result = CliRunner().invoke(cli, [*command(condition), "--bench", str(Path(place) / "bench.toml")])
        over.set()
        server.join(5)
    boards[0].close()
    want, got = json.loads(in_memory.stdout), json.loads(result.stdout)
    same = (in_memory.exit_code, want["verdict"], want["cause"]) == (
        result.exit_code,
        got.get("verdict"),
        got.get("cause"),
    )
    print(
        f"{condition:14} in memory: {in_memory.exit_code} {want['verdict']} {want['cause']}; over a pseudo-terminal to "
        f"{boards[0].interpreter}: {result.exit_code} {got.get('verdict')} {got.get('cause')} {got.get('error', '')} "
        f"({boards[0].heard:,} bytes in, {boards[0].said:,} out, {opened.simulated_bench.now_s:.1f} s)",
        flush=True,
    )
    return same


def command(condition: str) -> list[str]:
    """The command common to both runs."""
    return ["qualify", "--model", "alder-24", "--tag", condition, "--seed", "1", "--json"]


def main() -> None:
    with tempfile.TemporaryDirectory() as home:
        os.environ["BENCHRIG_HOME"] = home
        if not all(one(condition) for condition in sys.argv[1:] or ["good"]):
            sys.exit("a verdict differs")


if __name__ == "__main__":
    main()
