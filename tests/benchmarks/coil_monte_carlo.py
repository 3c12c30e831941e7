"""Coverage of the stated intervals of the coil resistance, by drawing benches, meters and coils at random.

    python tests/benchmarks/coil_monte_carlo.py [--draws 2000] [--seed 1]

Each draw makes a coil, a room, a meter with errors inside its specification, and readings; the analysis never sees the
truth. Counted is how often value +- 2 u holds the true resistance at 20 degC. The copper is computed here anew.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchrig.analysis.coil.resistance import coil_resistance_20c, steady_current_cross_check


@dataclass(frozen=True)
class Bench:
    """What one row of the table draws from."""

    title: str
    wires: int
    readings: int
    noise_ohm: float
    lead_ohm: float
    lead_u_ohm: float
    temperature_error_k: Callable[[np.random.Generator], float]
    temperature_u_k: float
    accuracy_rel: float = 0.0002
    accuracy_ohm: float = 0.004


def gauss(sd: float) -> Callable[[np.random.Generator], float]:
    return lambda rng: float(rng.normal(0.0, sd))


def flat(half: float) -> Callable[[np.random.Generator], float]:
    return lambda rng: float(rng.uniform(-half, half))


BENCHES = (
    Bench("four wires, cold part", 4, 3, 0.002, 0.0, 0.004, gauss(math.hypot(1.0, 0.5)), math.hypot(1.0, 0.5)),
    Bench("two wires, 0.25 ohm of leads", 2, 3, 0.002, 0.25, 0.02, gauss(math.hypot(1.0, 0.5)), math.hypot(1.0, 0.5)),
    Bench("coil temperature well known", 4, 3, 0.002, 0.0, 0.004, gauss(0.1), 0.1),
    Bench("hand-held meter, 0.8 %", 2, 3, 0.02, 0.2, 0.05, gauss(1.0), 1.0, 0.008, 0.1),
    Bench("wandering joint, 1 ohm, 3 readings", 4, 3, 1.0, 0.0, 0.004, gauss(0.5), 0.5),
    Bench("wandering joint, 1 ohm, 10 readings", 4, 10, 1.0, 0.0, 0.004, gauss(0.5), 0.5),
    Bench("temperature error flat within 1 K", 4, 3, 0.002, 0.0, 0.004, flat(1.0), 1.0 / math.sqrt(3.0)),
)


def draw(bench: Bench, rng: np.random.Generator) -> tuple[float, float, float]:
    """True resistance at 20 degC, found value, found u."""
    true_20_ohm = float(np.exp(rng.uniform(np.log(14.0), np.log(60.0))))
    room_c = rng.uniform(12.0, 32.0)
    alpha = 0.00393 * (1.0 + rng.uniform(-0.01, 0.01))
    seen_ohm = true_20_ohm * (1.0 + alpha * (room_c - 20.0)) + bench.lead_ohm + rng.normal(0.0, bench.lead_u_ohm)
    meter_error_ohm = rng.uniform(-1.0, 1.0) * (bench.accuracy_rel * seen_ohm + bench.accuracy_ohm)
    readings_ohm = seen_ohm + meter_error_ohm + rng.normal(0.0, bench.noise_ohm, bench.readings)
    found = coil_resistance_20c(
        [float(each) for each in readings_ohm],
        wires=bench.wires,
        lead_ohm=bench.lead_ohm,
        lead_u_ohm=bench.lead_u_ohm,
        accuracy_rel=bench.accuracy_rel,
        accuracy_ohm=bench.accuracy_ohm,
        range_ohm=100.0,
        coil_c=room_c + bench.temperature_error_k(rng),
        coil_u_k=bench.temperature_u_k,
    )
    assert found.value is not None
    assert found.u is not None
    return true_20_ohm, found.value, found.u


def cross_checks(draws: int, rng: np.random.Generator) -> dict[str, float]:
    """Share of each outcome on sound coils, and on coils with 1 ohm more under load."""
    counts = {"false alarm on a sound coil": 0, "joint of 1 ohm missed": 0}
    for _ in range(draws):
        for extra_ohm, label in ((0.0, "false alarm on a sound coil"), (1.0, "joint of 1 ohm missed")):
            r20_ohm, room_c, warming_k = rng.uniform(22.0, 48.0), rng.uniform(12.0, 32.0), rng.uniform(0.0, 2.0)
            reading_ohm = r20_ohm * (1.0 + 0.00393 * (room_c - 20.0)) + rng.uniform(-1, 1) * 0.008
            believed_c = room_c + rng.normal(0.0, 1.1)
            cold = coil_resistance_20c(
                [reading_ohm],
                wires=4,
                accuracy_rel=0.0002,
                accuracy_ohm=0.004,
                range_ohm=100.0,
                coil_c=believed_c,
                coil_u_k=1.1,
            )
            voltage_v = rng.uniform(12.5, 14.0)
            warm_ohm = r20_ohm * (1.0 + 0.00393 * (room_c + warming_k - 20.0)) + extra_ohm
            current_a = voltage_v / (warm_ohm + 0.1)
            check = steady_current_cross_check(
                cold,
                voltage_v=voltage_v * (1.0 + rng.normal(0.0, 0.005)),
                voltage_u_v=0.005 * voltage_v,
                current_a=current_a * (1.0 + rng.normal(0.0, 0.003)),
                current_u_a=0.003 * current_a,
                coil_c=believed_c,
                coil_u_k=1.1,
                heating_k=2.0,
                series_ohm=0.1,
                series_u_ohm=0.02,
            )
            assert check is not None
            wrong = check.outcome != "agrees" if extra_ohm == 0.0 else check.outcome != "higher under load"
            counts[label] += wrong
    return {label: count / draws for label, count in counts.items()}


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--draws", type=int, default=2000)
    options.add_argument("--seed", type=int, default=1)
    asked = options.parse_args()
    print(f"coil resistance at 20 degC, {asked.draws} draws each, seed {asked.seed}; goal 92 to 98 % within 2 u")
    print(f"{'bench':<38}{'covered':>9}{'median u':>10}{'bias/u':>8}")
    for number, bench in enumerate(BENCHES):
        rng = np.random.default_rng([asked.seed, number])
        rows = np.array([draw(bench, rng) for _ in range(asked.draws)])
        error, u = rows[:, 1] - rows[:, 0], rows[:, 2]
        covered = float(np.mean(np.abs(error) <= 2.0 * u))
        print(f"{bench.title:<38}{covered:>8.1%} {np.median(u):>8.4f}  {np.mean(error / u):>+7.3f}")
    print("\ncross-check under load (tolerance 2 u, so about 5 % false alarms are meant)")
    for label, share in cross_checks(asked.draws, np.random.default_rng([asked.seed, 99])).items():
        print(f"{label:<38}{share:>8.1%}")


if __name__ == "__main__":
    main()
