"""Whether the recordings that a run is going to make fit into the board's memory; asked before anything is switched."""

from __future__ import annotations

import math

from benchrig.bench.bench import Bench
from benchrig.errors import ConfigError
from benchrig.sequencer.sequence import STEPS

__all__ = ["check_captures"]


def check_captures(bench: Bench) -> None:
    """Hold what the steps record against the memory that the board told of in its greeting.

    Raises
    ------
    ConfigError
        A recording is too long; names the setting of the bench file and the longest that fits.
    """
    memory = bench.capture_words
    recorded = [step.records for step in STEPS if step.records is not None]
    fixed = max(each.least_words for each in recorded)
    if fixed > memory:
        raise ConfigError(
            f"The relay board can record {memory} words; a run needs {fixed} at least.",
            hint="Is the board's firmware built with less CAPTURE_WORDS than the one that came with this program?",
        )
    too_long: list[str] = []
    shorter: list[str] = []
    for each in recorded:
        if not each.setting:
            continue
        seconds, words = getattr(bench.file.sequence, each.setting), each.words
        if words(seconds) <= memory:
            continue
        too_long.append(f"{each.setting} = {seconds:g} needs {words(seconds)} words")
        tenths = math.floor(10.0 * (memory - words(0.0)) / (words(1.0) - words(0.0)))
        shorter.append(f"{each.setting} to {tenths / 10:g} or less")
    if too_long:
        raise ConfigError(
            f"The relay board can record {memory} words; {' and '.join(too_long)}.",
            hint=f"In [sequence] of the bench file: set {' and '.join(shorter)}.",
        )
