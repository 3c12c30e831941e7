"""`benchrig analyse` on what people hand to it: times that begin anywhere, damaged and mistaken files, wrong options.

Always the right status, one JSON document with what was seen and what to do, never a traceback, nothing else on stdout.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from benchrig.cli import cli, run

BENCH = ("--volume-l", "0.5", "--ambient-kpa", "101.325", "--ambient-c", "20")
OPTIONS = {"hold": BENCH, "flow": BENCH, "inrush": ("--supply-v", "12", "--off-s", "0.12")}
COLUMN = {"hold": "pressure_pa", "flow": "pressure_pa", "inrush": "current_a"}


def hold(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(-5, 250) * 0.02
    after = np.maximum(t, 0.0)
    return t, 41_000.0 + 36.0 * after - 2_000 * np.expm1(-after / 2.0) + 12 * rng.standard_normal(len(t))


def flow(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Half a litre filling through C = 0.4 dm3/(s bar), b = 0.35 (ISO 6358-1), opened at 10 ms; the wall takes heat."""
    t = np.arange(-40, 500) * 0.005
    step_s, volume_m3, air_k, r_air, cv = 0.0005, 5e-4, 295.15, 287.05, 717.6
    mass_kg, gas_k, pressure_pa = 41_325.0 * volume_m3 / (r_air * air_k), air_k, []
    for at_s in np.arange(t[0], t[-1] + step_s, step_s):
        ratio = mass_kg * r_air * gas_k / volume_m3 / 101_325.0
        pressure_pa.append(ratio * 101_325.0)
        share = np.sqrt(max(1.0 - (max(ratio - 0.35, 0.0) / 0.65) ** 2, 0.0))
        inflow = 0.4e-8 * 1.185 * 101_325.0 * np.sqrt(293.15 / air_k) * share if at_s > 0.01 else 0.0
        heat_w = (0.085 + 1.6 * (1000.0 * inflow) ** 0.8) * (air_k - gas_k)
        gas_k += step_s * (inflow * (1.4 * air_k - gas_k) * cv + heat_w) / (mass_kg * cv)
        mass_kg += step_s * inflow
    return t, np.array(pressure_pa[::10][: len(t)]) + 12 * rng.standard_normal(len(t))


def inrush(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(-40, 400) * 0.0005
    rise = -0.5 * np.expm1(-np.maximum(t, 0.0) / 0.005)
    fall = np.maximum(0.53 * np.exp(-np.maximum(t - 0.12, 0.0) / 0.005) - 0.03, 0.0)
    return t, np.where(t < 0.12, rise, fall) + 1e-3 * rng.standard_normal(len(t))


MAKE: dict[str, Callable[[np.random.Generator], tuple[np.ndarray, np.ndarray]]] = {
    "hold": hold, "flow": flow, "inrush": inrush,
}  # fmt: skip


def write(path: Path, kind: str, t: np.ndarray, y: np.ndarray) -> Path:
    rows = "\n".join(f"{a:.17g},{b:.9g}" for a, b in zip(t.tolist(), y.tolist(), strict=True))
    path.write_text(f"time_s,{COLUMN[kind]}\n{rows}\n", encoding="utf-8")
    return path


def told(kind: str, path: Path, *more: str) -> tuple[int, dict]:
    result = CliRunner().invoke(cli, ["analyse", kind, str(path), *OPTIONS[kind], *more, "--json"])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    document = json.loads(result.stdout)
    if result.exit_code:
        assert set(document) >= {"error", "hint"}
        assert document["error"]
        assert document["hint"]
        assert len(document["error"]) < 1_000
        assert "Traceback" not in result.stderr
    else:
        assert isinstance(document["notes"], list)
    return result.exit_code, document


# -- where time begins


@pytest.mark.slow
@pytest.mark.parametrize("begins_s", [1.0, 1e4, 1e5, 1_795_000_000.0])
def test_a_hold_reads_the_same_wherever_its_times_begin(tmp_path, begins_s):
    t, p = hold(np.random.default_rng(1))
    t, p = t[t >= 0], p[t >= 0]
    status, at_zero = told("hold", write(tmp_path / "a.csv", "hold", t, p))
    assert status == 0
    status, later = told("hold", write(tmp_path / "b.csv", "hold", t + begins_s, p))
    assert status == 0
    assert later["hold_leak_sccm"] == pytest.approx(at_zero["hold_leak_sccm"], abs=1e-3)
    assert later["hold_leak_sccm_u"] == pytest.approx(at_zero["hold_leak_sccm_u"], rel=1e-3)
    assert later["time_zero_s"] == begins_s
    assert any("--from-s" in note for note in later["notes"])
    status, said = told("hold", tmp_path / "b.csv", "--from-s", str(begins_s))
    assert said["hold_leak_sccm"] == pytest.approx(at_zero["hold_leak_sccm"], abs=1e-3)
    assert not any("--from-s" in note for note in said["notes"])


@pytest.mark.slow
@pytest.mark.parametrize("begins_s", [1.0, 1e5, 1_795_000_000.0])
def test_a_fill_whose_beginning_is_not_on_its_axis_is_refused_and_with_it_reads_the_same(tmp_path, begins_s):
    t, p = flow(np.random.default_rng(1))
    _, at_zero = told("flow", write(tmp_path / "a.csv", "flow", t, p))
    path = write(tmp_path / "b.csv", "flow", t + begins_s, p)
    status, said = told("flow", path)
    assert status == 2
    assert "outside the record" in said["error"]
    assert "--from-s" in said["hint"]
    status, later = told("flow", path, "--from-s", str(begins_s))
    assert status == 0
    for name in ("sonic_conductance_dm3_s_bar", "flow_at_rated_vacuum_lpm_anr", "opening_delay_ms"):
        assert later[name] == pytest.approx(at_zero[name], rel=1e-3)


@pytest.mark.parametrize("begins_s", [1e4, 1_795_000_000.0])
def test_an_inrush_reads_the_same_wherever_its_times_begin(tmp_path, begins_s):
    t, i = inrush(np.random.default_rng(1))
    _, at_zero = told("inrush", write(tmp_path / "a.csv", "inrush", t, i))
    path = write(tmp_path / "b.csv", "inrush", t + begins_s, i)
    assert told("inrush", path)[0] == 2
    status, later = told("inrush", path, "--on-s", str(begins_s), "--off-s", str(begins_s + 0.12))
    assert status == 0
    for name in ("steady_current_a", "resistance_ohm"):
        assert later[name] == pytest.approx(at_zero[name], rel=1e-5)


def test_a_record_that_ends_before_its_event_is_refused(tmp_path):
    for kind in ("hold", "flow"):
        t, p = MAKE[kind](np.random.default_rng(1))
        status, said = told(kind, write(tmp_path / "x.csv", kind, t - 100.0, p))
        assert status == 2
        assert "outside the record" in said["error"]


# -- what stdout holds


def whole(monkeypatch, capfd, *arguments: str) -> tuple[int, str, str]:
    """The program as the shell runs it, all that reaches the streams' own descriptors included."""
    monkeypatch.setattr(sys, "argv", ["benchrig", *arguments])
    status = run()
    sys.stdout.flush()
    out, err = capfd.readouterr()
    return status, out, err


@pytest.mark.parametrize(
    "arguments",
    [
        ("analyse", "hold", "no.csv", "--json"),
        ("analyse", "hold", "no.csv", *BENCH, "--json"),
        ("analyse", "hold", "no.csv", *BENCH, "--volume-u-percent", "nan", "--json"),
        ("analyse", "flow", "no.csv", *BENCH[:-1], "warm", "--json"),
        ("analyse", "inrush", "--json"),
        ("analyse", "spring", "no.csv", "--json"),
        ("analyse", "inrush", "no.csv", "--supply-v", "-3", "--json"),
        ("analyse", "inrush", "no\udcff.csv", "--json"),
    ],
)
def test_every_wrong_call_gives_one_json_document_with_status_2(monkeypatch, capfd, arguments):
    status, out, _ = whole(monkeypatch, capfd, *arguments)
    assert status == 2
    document = json.loads(out)
    assert document["error"]
    assert document["hint"]


@pytest.mark.slow
@pytest.mark.parametrize("begins_s", [1_795_000_000.0, 1e12])
def test_nothing_but_the_document_is_on_stdout_not_even_from_the_numerical_libraries(
    monkeypatch, capfd, tmp_path, begins_s
):
    t, p = hold(np.random.default_rng(1))
    path = write(tmp_path / "x.csv", "hold", t + begins_s, p)
    status, out, _ = whole(monkeypatch, capfd, "analyse", "hold", str(path), *BENCH, "--json")
    assert status in (0, 2)
    assert json.loads(out)
    assert out.startswith("{")


# -- damage of every kind

REFUSED, EITHER = 2, None


def _unit(factor: float) -> Callable[..., tuple[np.ndarray, np.ndarray]]:
    return lambda t, y, _: (t, y * factor)


def _cut(t: np.ndarray, y: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    first = int(rng.integers(0, len(t) - 2))
    last = int(rng.integers(first + 1, len(t)))
    return t[first:last], y[first:last]


def _gap(t: np.ndarray, y: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    first = int(rng.integers(20, len(t) - 60))
    kept = np.r_[0:first, first + int(rng.integers(6, 40)) : len(t)]
    return t[kept], y[kept]


def _spikes(t: np.ndarray, y: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    y = y.copy()
    y[rng.integers(0, len(y), 5)] *= rng.uniform(0.2, 1.02, 5)
    return t, y


def _freeze(t: np.ndarray, y: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    y = y.copy()
    first = int(rng.integers(1, len(y) - 1))
    y[first:] = y[first]
    return t, y


def _walk(t: np.ndarray, y: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    return t, y + np.ptp(y) * 0.02 * np.cumsum(rng.standard_normal(len(y)))


def _few_bits(t: np.ndarray, y: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    step = np.ptp(y) / int(rng.integers(2, 40))
    return t, np.round(y / step) * step


def _jitter(t: np.ndarray, y: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    return t + (t[1] - t[0]) * rng.uniform(-0.4, 0.4, len(t)), y


DAMAGE: dict[str, tuple[int | None, Callable[..., tuple[np.ndarray, np.ndarray]]]] = {
    "untouched": (0, _unit(1.0)),
    "thousand times": (REFUSED, _unit(1e3)),
    "a thousandth": (REFUSED, _unit(1e-3)),
    "milliseconds": (REFUSED, lambda t, y, _: (t * 1e4, y)),
    "thousands of seconds": (REFUSED, lambda t, y, _: (t * 1e-4, y)),
    "backwards": (EITHER, lambda t, y, _: (t, y[::-1])),
    "upside down": (EITHER, lambda t, y, _: (t, -y)),
    "turned about its middle": (EITHER, lambda t, y, _: (t, y.max() + y.min() - y)),
    "shuffled": (EITHER, lambda t, y, rng: (t, rng.permutation(y))),
    "noise": (EITHER, lambda t, y, rng: (t, np.abs(y.mean() + np.ptp(y) * rng.standard_normal(len(y))))),
    "random walk": (EITHER, _walk),
    "a piece": (EITHER, _cut),
    "a gap": (REFUSED, _gap),
    "spikes": (EITHER, _spikes),
    "frozen": (EITHER, _freeze),
    "constant": (REFUSED, lambda t, y, _: (t, np.full(len(y), y[0]))),
    "zeros": (REFUSED, lambda t, y, _: (t, np.zeros(len(y)))),
    "twice": (REFUSED, lambda t, y, _: (np.arange(2 * len(t)) * (t[1] - t[0]) + t[0], np.r_[y, y])),
    "few bits": (EITHER, _few_bits),
    "jittering times": (EITHER, _jitter),
    "every tenth": (EITHER, lambda t, y, rng: (t[(k := int(rng.integers(10))) :: 10], y[k::10])),
    "huge": (REFUSED, lambda t, y, rng: (t, y * 10.0 ** rng.integers(9, 290))),
    "tiny": (EITHER, lambda t, y, rng: (t, y * 10.0 ** -rng.integers(9, 290))),
    "far times": (EITHER, lambda t, y, rng: (t + 10.0 ** rng.integers(3, 14), y)),
}  # fmt: skip


def text_damage(text: str, rng: np.random.Generator) -> str:
    """Damage the file's text as a bad export, a full disk or an editor would."""
    lines = text.splitlines()
    at = int(rng.integers(1, len(lines)))
    how = int(rng.integers(9))
    if how == 0:
        lines[at] = lines[at].replace(",", ";")
    elif how == 1:
        lines[at] = lines[at].replace(".", ",")
    elif how == 2:
        lines[at] += '"'
    elif how == 3:
        lines[at] = ""
    elif how == 4:
        lines[at] = lines[at][: len(lines[at]) // 2]
    elif how == 5:
        lines[at] = str(rng.choice(["nan,nan", "inf,0", "time_s,current_a", "\x00", "-,-", "1e999,1", "#"]))
    elif how == 6:
        lines[0] = str(rng.choice(["", "a,b", "time_s", "time_s,time_s", '"time_s', "pressure_pa;time_s"]))
    elif how == 7:
        lines.insert(at, lines[at])
    else:
        lines[at] = "9" * int(rng.integers(1, 300_000)) + lines[at]
    return "\n".join(lines)


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "count"), [("hold", 80), ("flow", 40), ("inrush", 240)])
def test_no_damaged_trace_ends_in_a_traceback_or_a_wrong_status(tmp_path, capfd, kind, count):
    """500 in all, a fifth damaged as text. What is plainly a mistake is refused; others may be answered or refused."""
    path = tmp_path / "x.csv"
    names = list(DAMAGE)
    unexplained = []
    for number in range(count):
        rng = np.random.default_rng([number, len(kind)])
        t, y = MAKE[kind](rng)
        name = names[number % len(names)]
        wanted, damage = DAMAGE[name]
        t, y = damage(t, y, rng)
        write(path, kind, t, y)
        if number % 5 == 4:
            name, wanted = "text", EITHER
            t, y = MAKE[kind](rng)
            path.write_text(text_damage(write(path, kind, t, y).read_text(encoding="utf-8"), rng), encoding="utf-8")
        status, document = told(kind, path)
        assert status in (0, 2), (number, name, status, document)
        if wanted is not None:
            assert status == wanted, (number, name, document)
        if status == 2 and "nothing can be made of this record" in document["error"]:
            unexplained.append((number, name, document["error"]))
    out, _ = capfd.readouterr()
    assert out == "", "something besides the document was written on stdout"
    assert unexplained == []
