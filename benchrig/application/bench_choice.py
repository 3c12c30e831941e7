"""Which bench: the workshop's own, that of a file, or a simulated one; and what is kept about it in the store."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from benchrig.application.paths import home
from benchrig.bench.bench import Bench
from benchrig.bench.opening import OpenedBench, open_bench_file, open_registered
from benchrig.bench.traceability import BenchKey
from benchrig.clock import PacedClock
from benchrig.errors import ConfigError

__all__ = ["BenchChoice", "bench_file_of", "key_of", "open_bench"]


@dataclass(frozen=True)
class BenchChoice:
    """A bench file, or options for the simulated bench; neither: ``bench.toml`` in the workshop's folder."""

    bench_file: Path | None = None
    simulated: Mapping[str, object] | None = None
    paced: bool = False
    """Let the seconds of a simulated bench in this program take as long as real ones."""

    @property
    def seed(self) -> int | None:
        """Of the simulated bench, which is another bench with every seed."""
        seed = None if self.simulated is None else self.simulated.get("seed")
        return seed if isinstance(seed, int) else None


def open_bench(choice: BenchChoice, *, wire_log: IO[str] | None = None) -> OpenedBench:
    """Open the bench that was chosen.

    Raises
    ------
    ConfigError
        There is none, or its file or its options are wrong.
    LinkError
        A port cannot be opened.
    """
    if choice.simulated is not None:
        opened = open_registered("simulated", choice.simulated, wire_log=wire_log)
        if choice.paced:
            opened.bench.clock = PacedClock(opened.bench.clock)
        return opened
    return open_bench_file(bench_file_of(choice), wire_log=wire_log)


def bench_file_of(choice: BenchChoice) -> Path:
    """The bench file of a choice that is not simulated.

    Raises
    ------
    ConfigError
        None was named, and the workshop's folder has none.
    """
    path = choice.bench_file or home() / "bench.toml"
    if choice.bench_file is None and not path.exists():
        raise ConfigError(
            f"No bench: neither --bench nor --simulated was given, and there is no {path}.",
            hint="Without hardware: --simulated good. With: 'benchrig bench show --example' prints a bench file.",
        )
    return path


def key_of(bench: Bench, seed: int | None) -> BenchKey:
    """Which bench it is, for the store: a simulated one is another bench with every seed."""
    general = bench.file.bench
    return BenchKey(general.name, general.simulated, seed if general.simulated else None)
