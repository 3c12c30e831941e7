"""Inputs that a person has spoilt: bench, model, mix and trace files and arguments, through the command line.

Each must end with a status of its own, without a traceback, within 10 s of CPU, and an error must say something:

    nice .venv/bin/python -m tests.benchmarks.mutated_files --files 2000 --seed 1

Every fifth try puts one to three odd words in place of arguments, the others spoil a file. Memory is the most that the
process ever held, with all that it has imported.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import io
import json
import os
import random
import resource
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from benchrig.application.paths import demo_folder
from benchrig.cli import run
from benchrig.rehearsal.valve_mix import default_text

__all__ = ["Spoilt", "spoil", "tried"]

ODD = [
    "nan", "inf", "-inf", "1e300", "-1e300", "1e-300", "0", "-1", "true", '"0.5"', '""', "[]", "{}", "[[[[[[1]]]]]]",
    "''", "1979-05-27", '"\\u0000"', '"' + "x" * 5000 + '"', "0x7fffffffffffffff", "99999999999999999999999", "1_0",
    "'''a\nb'''", "3,5", "", "=", '"日本"',
]  # fmt: skip


WORDS = [
    *ODD, "-", "--", "-1", "--nonsense", "=", "~", "..", "/", "/dev/null", "/proc/self/mem", "%s%n", "$(true)",
    "\udcff", "a\nb", "\x1b[31mred", "٣", "1e-5", "0.1", "24", "CON", "run:", "tag:", "cal-9999", "check-0", "good",
]  # fmt: skip
STATUSES = {**dict.fromkeys(("bench", "model", "mix", "trace"), (0, 2, 3)), "arguments": (0, 1, 2, 3, 4)}
MOST_S = 10.0
COMMANDS = [
    "analyse hold TRACE --volume-l 0.5 --ambient-kpa 101.3 --ambient-c 22 --background-sccm 0.1",
    "analyse flow TRACE --volume-l 0.5 --ambient-kpa 101.3 --ambient-c 22",
    "analyse inrush TRACE",
    "qualify --model alder-24 --tag T-1 --simulated good --seed 3 --operator me --reason return --findings none",
    "qualify --model alder-24 --tag T-1 --simulated seat-leak --barometer-kpa 101.3 --complaint smell",
    "bench check --simulated --barometer-kpa 101.3 --operator me",
    "bench calibrate leads --simulated --operator me",
    "bench history --bench bench.toml",
    "bench withdraw cal-0001 --because wrong",
    "bench chart --tag SHELF-1 --baseline 20 --since 0001",
    "bench show --bench bench.toml",
    "records list --tag T-1 --most 10 --rests-on cal-0001",
    "records show T-1",
    "records decide T-1 --scrap --because cracked",
    "report T-1 --folder pages",
    "models show alder-24",
    "demo --seed 3",
]
FIRST = [
    "qualify --model alder-24 --tag T-1 --simulated good --seed 3",
    "bench calibrate leads --simulated --yes",
    "qualify --model alder-24 --tag SHELF-1 --simulated good --seed 3 --reason check-valve",
]


@dataclass(frozen=True)
class Spoilt:
    """One try: which kind of file, what was done to it, and how the program ended."""

    kind: str
    how: str
    status: int
    said: str
    seconds: float
    traceback: str


def spoil(text: str, draw: random.Random) -> tuple[str, str]:
    """One to three random mutations of a text file; the new text and what was done."""
    done = []
    for _ in range(draw.randint(1, 3)):
        lines = text.split("\n")
        at = draw.randrange(len(lines))
        match draw.randrange(12):
            case 0:
                del lines[at]
                done.append(f"line {at} gone")
            case 1:
                lines.insert(at, lines[draw.randrange(len(lines))])
                done.append(f"a line twice at {at}")
            case 2 | 3 | 4 | 5:
                keys = [n for n, line in enumerate(lines) if "=" in line or "," in line]
                if keys:
                    at = draw.choice(keys)
                    sign = "=" if "=" in lines[at] else ","
                    value = draw.choice(ODD)
                    lines[at] = f"{lines[at].partition(sign)[0]}{sign} {value}"
                    done.append(f"line {at} = {value[:20]!r}")
            case 6:
                lines[at] = "".join(draw.choice("[]{}\"'=,#\\\t\x00é1a ") for _ in range(draw.randint(1, 30)))
                done.append(f"noise at {at}")
            case 7:
                lines = lines[:at]
                done.append(f"cut at {at}")
            case 8:
                lines.insert(at, "[" * 3000 + "]" * 3000 if draw.random() < 0.5 else "x = " + "[" * 3000 + "]" * 3000)
                done.append(f"deep nesting at {at}")
            case 9:
                lines.insert(at, "#" + "y" * 200_000)
                done.append(f"a long line at {at}")
            case 10:
                spot = draw.randrange(max(len(lines[at]), 1))
                lines[at] = lines[at][:spot] + draw.choice("0123456789.-+eE=[\"' ") + lines[at][spot + 1 :]
                done.append(f"a character at {at}:{spot}")
            case 11:
                lines[at] = lines[at].replace(".", ",")
                done.append(f"decimal commas at {at}")
        text = "\n".join(lines)
    return text, "; ".join(done)


def odd_words(draw: random.Random, trace: str) -> tuple[list[str], str]:
    """A command with one to three of its words exchanged for odd ones; and which."""
    words = [trace if word == "TRACE" else word for word in draw.choice(COMMANDS).split()]
    before = list(words)
    for _ in range(draw.choice((1, 1, 2))):
        match draw.randrange(8):
            case 0:
                del words[draw.randrange(1, len(words))]
            case 1:
                words.insert(draw.randrange(1, len(words) + 1), draw.choice(WORDS))
            case _:
                words[draw.randrange(min(2, len(words) - 1), len(words))] = draw.choice(WORDS)
        words = [*before[:1], *words[1:]] if len(words) > 1 else list(before)
    return words, " ".join(word[:40] for word in words)


def _trace(draw: random.Random) -> str:
    rows = [f"{0.005 * n:.4f},{42000 + 3.0 * n + draw.gauss(0, 12):.2f}" for n in range(draw.choice((30, 400)))]
    return "\n".join(["time_s,pressure_pa", *rows])


def wants_json(words: list[str]) -> bool:
    """Whether ``--json`` is there, and not as what an option before it is told."""
    at = words.index("--json") if "--json" in words else 0
    return at > 0 and not words[at - 1].startswith("-")


def _told(words: list[str], home: Path) -> tuple[int, str, str, float]:
    """Exit status, stdout, stderr and CPU seconds of the program, within this process."""
    out, err = io.StringIO(), io.StringIO()
    was, sys.argv = sys.argv, ["benchrig", *words]
    os.environ["BENCHRIG_HOME"] = str(home)
    began = time.process_time()
    try:
        with contextlib.chdir(home), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = run()
    finally:
        sys.argv = was
        gc.enable()  # the program ends after each command and does without
        gc.collect()
    return status, out.getvalue(), err.getvalue(), time.process_time() - began


def tried(number: int, seed: int, folder: Path) -> Spoilt:
    """Spoil one file and put it before the program."""
    draw = random.Random(f"{seed}:{number}")
    kind = ("bench", "model", "mix", "trace", "arguments")[number % 5]
    home = folder / ("home" if kind == "arguments" else f"home-{number}")
    if not home.exists():
        (home / "models").mkdir(parents=True)
        if kind == "arguments":  # a store with something in it
            for first in FIRST:
                _told(first.split(), home)
    demo = demo_folder()
    original = {
        "bench": (demo / "bench.toml").read_text(encoding="utf-8"),
        "model": (demo / "models" / "alder-24.toml").read_text(encoding="utf-8").replace("alder-24", "mine-1"),
        "mix": default_text(),
        "trace": _trace(draw),
        "arguments": _trace(draw),
    }[kind]
    names = {"model": "models/mine-1.toml", "trace": "trace.csv", "arguments": "trace.csv"}
    path = home / names.get(kind, f"{kind}.toml")
    words, how = odd_words(draw, str(path))
    text, how = (original, how) if kind == "arguments" else spoil(original, draw)
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    if kind != "arguments":
        words = {
            "bench": ["bench", "show", "--bench", str(path)],
            "model": ["models", "show", "mine-1"],
            "mix": ["rehearse", "--valves", "1", "--workers", "1", "--mix", str(path)],
            "trace": ["analyse", "hold", str(path), "--volume-l", "0.5", "--ambient-kpa", "101.3", "--ambient-c", "22"],
        }[kind]
    if draw.random() < 0.5:
        words = [*words, "--json"]
    status, out, err, seconds = _told(words, home)
    bug = err[-600:] if "Traceback" in err else ""
    said = err.strip()
    if status in (2, 3) and wants_json(words) and not bug:
        try:
            said = json.loads(out)["error"]
        except ValueError:
            bug = f"no JSON: {out[:100]!r}"
    return Spoilt(kind, how, status, said, seconds, bug)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        found, wrong = [], 0
        for number in range(asked.files):
            each = tried(number, asked.seed, Path(folder))
            found.append(each)
            silent = each.status in (2, 3) and not each.said
            if each.traceback or each.status not in STATUSES[each.kind] or each.seconds > MOST_S or silent:
                wrong += 1
                print(
                    f"{each.kind} {number}: {each.how}\n  status {each.status} {each.traceback} {each.said[:200]}",
                    flush=True,
                )
    print(Counter((each.kind, each.status) for each in found))
    print(f"{len(found)} files, {wrong} wrong, slowest {max(each.seconds for each in found):.1f} s of CPU, "
          f"most memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")  # fmt: skip
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
