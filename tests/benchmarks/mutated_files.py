"""Files that a person has spoilt: bench, model, mix and trace files, mutated at random, through the command line.

Each must end with status 0, 2 or 3, without a traceback, within a few seconds, and an error must say something. Run:
``python tests/benchmarks/mutated_files.py --files 300 --seed 1``.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import tempfile
import time
import tracemalloc
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from click.testing import CliRunner

from benchrig.application.paths import demo_folder
from benchrig.cli import cli
from benchrig.rehearsal.mix import default_text

__all__ = ["Spoilt", "spoil", "tried"]

ODD = [
    "nan", "inf", "-inf", "1e300", "-1e300", "1e-300", "0", "-1", "true", '"0.5"', '""', "[]", "{}", "[[[[[[1]]]]]]",
    "''", "1979-05-27", '"\\u0000"', '"' + "x" * 5000 + '"', "0x7fffffffffffffff", "99999999999999999999999", "1_0",
    "'''a\nb'''", "3,5", "", "=", '"日本"',
]  # fmt: skip


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


def _trace(draw: random.Random) -> str:
    rows = [f"{0.005 * n:.4f},{42000 + 3.0 * n + draw.gauss(0, 12):.2f}" for n in range(draw.choice((30, 400)))]
    return "\n".join(["time_s,pressure_pa", *rows])


def tried(number: int, seed: int, folder: Path) -> Spoilt:
    """Spoil one file and put it before the program."""
    draw = random.Random(f"{seed}:{number}")
    kind = ("bench", "model", "mix", "trace")[number % 4]
    home = folder / f"home-{number}"
    (home / "models").mkdir(parents=True)
    demo = demo_folder()
    original = {
        "bench": (demo / "bench.toml").read_text(encoding="utf-8"),
        "model": (demo / "models" / "alder-24.toml").read_text(encoding="utf-8").replace("alder-24", "mine-1"),
        "mix": default_text(),
        "trace": _trace(draw),
    }[kind]
    text, how = spoil(original, draw)
    path = home / ("models/mine-1.toml" if kind == "model" else "trace.csv" if kind == "trace" else f"{kind}.toml")
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    words = {
        "bench": ["bench", "show", "--bench", str(path)],
        "model": ["models", "show", "mine-1"],
        "mix": ["rehearse", "--valves", "1", "--workers", "1", "--mix", str(path)],
        "trace": ["analyse", "hold", str(path), "--volume-l", "0.5", "--ambient-kpa", "101.3", "--ambient-c", "22"],
    }[kind]
    os.environ["BENCHRIG_HOME"] = str(home)
    began = time.perf_counter()
    done = CliRunner().invoke(cli, [*words, *(["--json"] if draw.random() < 0.5 else [])])
    seconds = time.perf_counter() - began
    bug = "" if done.exception is None or isinstance(done.exception, SystemExit) else repr(done.exception)
    said = done.stderr.strip()
    if done.exit_code and "--json" in words:
        said = json.loads(done.stdout)["error"]
    return Spoilt(kind, how, done.exit_code, said, seconds, bug)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    tracemalloc.start()
    with tempfile.TemporaryDirectory() as folder:
        found = [tried(number, asked.seed, Path(folder)) for number in range(asked.files)]
    wrong = [
        each for each in found if each.traceback or each.status not in (0, 2, 3) or (each.status and not each.said)
    ]
    for each in wrong:
        print(f"{each.kind}: {each.how}\n  status {each.status} {each.traceback} {each.said[:200]}")
    print(Counter((each.kind, each.status) for each in found))
    print(f"{len(found)} files, {len(wrong)} wrong, slowest {max(each.seconds for each in found):.1f} s, "
          f"most memory {tracemalloc.get_traced_memory()[1] / 1e6:.0f} MB")  # fmt: skip
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
