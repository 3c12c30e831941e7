"""Open a bench: by its file over real ports, or by the name under which it was registered."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from importlib.metadata import PackageNotFoundError, distribution, entry_points
from pathlib import Path
from typing import IO, Any, Protocol

from benchrig.bench.bench import Bench
from benchrig.bench.file import LoadedBenchFile, load_bench_file, parse_bench_file
from benchrig.bench.problems import raise_all
from benchrig.clock import Clock, RealClock
from benchrig.drivers.links import ByteLink, TextLink
from benchrig.drivers.meters import METERS
from benchrig.drivers.relay_board import RelayBoard
from benchrig.drivers.stand_in_operator import StandInOperator
from benchrig.drivers.wire_log import WireLog
from benchrig.errors import BenchError, ConfigError

__all__ = ["GROUP", "OpenedBench", "RegisteredBench", "open_bench_file", "open_registered", "registered"]

GROUP = "benchrig.benches"


class RegisteredBench(Protocol):
    """What an entry point in the group `GROUP` returns when it is called with its options."""

    clock: Clock
    board_link: ByteLink
    meter_link: TextLink
    bench_file: str
    """The text of the bench file, TOML."""

    def close(self) -> None:
        """Let go of everything."""


class OpenedBench:
    """A bench with its links open; a context manager that closes them, whatever happens."""

    def __init__(self, bench: Bench, close: Callable[[], None], hands: object | None = None) -> None:
        self.bench = bench
        self.hands = hands
        """What a registered bench offers that connects references by itself: ``connect(fitting)``, ``read(what)``."""
        self._close = close

    def __enter__(self) -> Bench:
        return self.bench

    def __exit__(self, *_: object) -> None:
        self._close()


def registered(name: str) -> Callable[[Mapping[str, object]], Any]:
    """Find a bench by the name under which it was registered.

    Raises
    ------
    ConfigError
        Nobody registered that name.
    """
    # Our own first: looking through everything that is installed takes ten times as long.
    found = {}
    with suppress(PackageNotFoundError):
        found = {point.name: point for point in distribution("benchrig").entry_points.select(group=GROUP)}
    if name not in found:
        found = {point.name: point for point in entry_points(group=GROUP)}
    if name not in found:
        raise ConfigError(
            f"No bench named {name!r} is installed; there are: {', '.join(sorted(found)) or 'none'}.",
            hint="Is benchrig installed with pip? An entry point in the group 'benchrig.benches' registers a bench.",
        )
    opened: Callable[[Mapping[str, object]], Any] = found[name].load()
    return opened


def open_registered(name: str, options: Mapping[str, object], *, wire_log: IO[str] | None = None) -> OpenedBench:
    """Open a registered bench; a ValueError from it (a bad option) becomes a ConfigError."""
    try:
        opened: RegisteredBench = registered(name)(options)
    except ValueError as error:
        raise ConfigError(str(error), hint=f"Check the options given to the {name} bench.") from error
    loaded = parse_bench_file(opened.bench_file, where=f"of the {name} bench")
    bench = Bench(
        loaded,
        opened.clock,
        _board(opened.board_link, opened.clock, wire_log),
        METERS[loaded.file.meter.driver](opened.meter_link, opened.clock),
    )
    return OpenedBench(bench, opened.close, getattr(opened, "hands", None))


def open_bench_file(path: Path, *, wire_log: IO[str] | None = None) -> OpenedBench:
    """Open the bench that a bench file describes. All ports that cannot be opened are reported at once."""
    loaded = load_bench_file(path)
    if loaded.file.bench.opened_by:
        return open_registered(loaded.file.bench.opened_by, {"bench_file": str(path)}, wire_log=wire_log)
    _no_memory(loaded)
    from benchrig.drivers.serial_link import open_serial
    from benchrig.drivers.visa_link import open_visa

    clock = RealClock()
    problems: list[BenchError] = []
    links: list[ByteLink | TextLink] = []

    def close() -> None:
        for link in links:
            with suppress(BenchError):
                link.close()

    board_link: ByteLink | None = None
    meter_link: TextLink | None = None
    try:
        board_link = open_serial(loaded.file.board.port, clock)
        links.append(board_link)
    except BenchError as error:
        problems.append(error)
    try:
        meter_link = open_visa(loaded.file.meter.address, clock, loaded.file.meter.backend)
        links.append(meter_link)
    except BenchError as error:
        problems.append(error)
    if board_link is None or meter_link is None:
        close()
        raise_all(problems)
        raise AssertionError("unreachable: a link is missing without a problem")
    bench = Bench(
        loaded, clock, _board(board_link, clock, wire_log), METERS[loaded.file.meter.driver](meter_link, clock)
    )
    address = loaded.file.bench.stand_in
    return OpenedBench(bench, close, StandInOperator(address) if address else None)


def _board(link: ByteLink, clock: Clock, wire_log: IO[str] | None) -> RelayBoard:
    return RelayBoard(link, clock, wire_log=None if wire_log is None else WireLog(wire_log))


def _no_memory(loaded: LoadedBenchFile) -> None:
    if "memory" in (loaded.file.board.port, loaded.file.meter.address):
        raise ConfigError(
            f"Bench file {loaded.where}: 'memory' is the simulated bench inside this program, not a port.",
            hint="Use --simulated CONDITION; or 'benchrig simulate', which writes a bench file with real ports.",
        )
