"""The firmware on the emulated chip for a while: is memory lost, does a request take longer and longer?

``BENCHRIG_RP2040=FOLDER python tests/benchmarks/chip_endurance.py --seconds 100`` (of the chip's time, each about 5 s
of processor time): captures of two channels at 10 kS/s with both switches, fetched, readings, status, over and over.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from firmware_protocol import messages as m
from tests.emulated_chip.chip import Chip, emulator_folder
from tests.emulated_chip.chip_client import ChipClient
from tests.emulated_chip.flash import firmware_files, write_flash

SAMPLES = 600


def one_round(client: ChipClient, number: int) -> float:
    """A capture with its switches, fetched, and a reading; the longest answer in milliseconds."""
    capture = m.Capture(number, 0b0011, 100, SAMPLES, 20, m.COIL, 400, 0)
    client.ask(m.CAPTURE, m.pack_capture(capture))
    longest = client.took_ms
    first = 0
    while first < SAMPLES:
        recorded = client.ask(m.PROGRESS).recorded
        if recorded > first:
            block = client.ask(m.BLOCK, m.pack_block_request(number, first, min(recorded - first, 254)))
            longest = max(longest, client.took_ms)
            first += block.count
    client.ask(m.READ, m.pack_read(0b1111, 20))
    return max(longest, client.took_ms)


def main() -> None:
    """Print free memory and the longest answer, ten lines in all."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=100.0)
    wanted_s = parser.parse_args().seconds
    with (
        tempfile.TemporaryDirectory() as folder,
        Chip(write_flash(Path(folder) / "flash", emulator_folder(), firmware_files())) as chip,
    ):
        client = ChipClient(chip)
        client.greet()
        client.arm()
        began_ns, number, line = chip.now_ns, 0, 0
        free: list[int] = []
        longest: list[float] = []
        while (at_s := (chip.now_ns - began_ns) * 1e-9) < wanted_s:
            number += 1
            longest.append(one_round(client, number))
            free.append(client.ask(m.ABOUT).free_bytes)
            if at_s >= line * wanted_s / 10:
                line += 1
                print(
                    f"{at_s:6.1f} s {number:5} captures, free {min(free)} to {max(free)} bytes, "
                    f"longest answer {statistics.median(longest):.1f} ms (median), {max(longest):.1f} at most",
                    flush=True,
                )
                free.clear()
                longest.clear()
        print(f"{at_s:6.1f} s {number:5} captures; resets {chip.resets}; troubles: {client.ask(m.STATUS).cause}")


if __name__ == "__main__":
    main()
