"""The simulated bench for whoever asks by entry point (group ``benchrig.benches``): options in, an opened bench out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from simulators.bench_faults import parse_fault, schedule
from simulators.bench_file import demo_bench_toml, with_addresses, with_stand_in
from simulators.bench_file import with_tank as file_with_tank
from simulators.links.in_process import MemoryByteLink, MemoryTextLink, SimClock
from simulators.links.server import Server
from simulators.noise import normal, within
from simulators.operator import SimulatedOperator
from simulators.simulated_bench import SimulatedBench
from simulators.world import (
    COIL_U_K,
    CONDITIONS,
    FITTINGS,
    MODELS,
    BenchParameters,
    World,
    draw_bench,
    draw_instruments,
    draw_stated,
    draw_valve,
    overridden,
    with_tank,
)

__all__ = ["OpenedSimulation", "open_bench"]

BENCH_FILE = "bench.toml"
_OPTIONS = (
    "model",
    "condition",
    "severity",
    "seed",
    "faults",
    "valve_seed",
    "value",
    "bench_seed",
    "bench_spread",
    "as_stated",
    "bench_truth",
    "connected",
    "bench_toml",
    "tank",
)


@dataclass(frozen=True)
class OpenedSimulation:
    """A simulated bench with a valve on it, ready to be talked to.

    Attributes
    ----------
    clock : SimClock
        The bench's clock.
    board_link, meter_link
        Links to the two instruments.
    bench_file : str
        Text of the bench file, TOML.
    simulated_bench : SimulatedBench
        The bench itself, for whoever wants to meddle with it.
    hands : SimulatedOperator
        Who connects references and reads instruments beside the bench.
    """

    clock: SimClock
    board_link: MemoryByteLink
    meter_link: MemoryTextLink
    bench_file: str
    simulated_bench: SimulatedBench
    hands: SimulatedOperator

    def close(self) -> None:
        """Close both links. Safe to repeat."""
        self.board_link.close()
        self.meter_link.close()

    def serve(
        self,
        *,
        folder: Path,
        meter_port: int = 0,
        board_port: int | None = None,
        announce: Callable[[str], None],
        until: Callable[[], bool] = lambda: False,
    ) -> None:
        """Serve the same bench in real time on ports of this computer, in place of the links in memory.

        Writes a bench file with the addresses into `folder`, announces both, and a line at every change of the outputs.
        Returns when `until` says so; KeyboardInterrupt closes the ports and passes on.

        Raises
        ------
        ValueError
            A port cannot be had.
        """
        with Server(
            self.simulated_bench,
            folder=folder,
            meter_port=meter_port,
            board_port=board_port,
            announce=announce,
            hands=self.hands,
        ) as server:
            bench_file = folder / BENCH_FILE
            text = with_addresses(self.bench_file, server.board_port, server.meter_address)
            bench_file.write_text(with_stand_in(text, server.hands_address), encoding="utf-8")
            announce(f"board       {server.board_port}")
            announce(f"meter       {server.meter_address}")
            announce(f"hands       {server.hands_address}   connects references when asked, in place of a person")
            announce(f"bench file  {bench_file}")
            server.run(until=until)


def open_bench(options: Mapping[str, object]) -> OpenedSimulation:
    """Open the simulated bench.

    Parameters
    ----------
    options : mapping
        ``model`` (default the first of MODELS) and ``condition`` (default "good") of the valve; ``seed``, a whole
        number (default 1), of everything that is drawn; ``severity`` of the condition, 0 (barely) to 1 (grossly), or
        None (default) for a clear case; ``value``, in its place for one of SET_BY_VALUE: the figure that the condition
        puts out of limits (cm3/min, L/min ANR, ohm); ``faults``, a list of "KIND@SECONDS".

        ``valve_seed`` draws the valve apart from the noise, so that one part can come to the bench many times: only the
        contacts of its plug are then drawn anew by ``seed``, as it is plugged in anew.

        Of the bench: ``bench_seed`` draws it (`draw_bench`) apart from the valve, with ``bench_spread`` (default 1:
        within what the bench file states); without both it is the demo bench, which differs from its file in volume,
        leak and instrument errors only. ``as_stated``, True, draws it from the distributions that its file states
        (`draw_stated`), and how far the part's temperature is off the room's. ``bench_truth`` maps fields of
        BenchParameters or InstrumentErrors to true values. ``connected``, one of FITTINGS, is what is on plug and port
        (default "valve"). ``bench_toml`` is the text of a bench file to hand out in place of the demo one. ``tank``,
        True: the bench has a vacuum tank, and its file says so.

    Returns
    -------
    OpenedSimulation
        The same every time for the same options.

    Raises
    ------
    ValueError
        An option is not known or makes no sense; says which and what would.

    Examples
    --------
    >>> bench = open_bench({"model": "alder-24", "condition": "seat-leak", "seed": 5})
    >>> bench.clock.sleep_until(2.0)
    >>> bench.clock.now()
    2.0
    """
    unknown = sorted(set(options) - set(_OPTIONS))
    if unknown:
        raise ValueError(f"The simulated bench has no option {', '.join(unknown)}; it has {', '.join(_OPTIONS)}.")
    model = _choice("model", options.get("model", MODELS[0]), MODELS)
    condition = _choice("condition", options.get("condition", "good"), CONDITIONS)
    seed = _seed("seed", options.get("seed", 1))
    severity = _number_or_none("severity", options.get("severity"), 0.0, 1.0)
    given = options.get("faults", [])
    texts = list(given) if isinstance(given, (list, tuple)) else None
    if texts is None:
        raise ValueError(f'Option faults of the simulated bench: a list of "KIND@SECONDS" is wanted, not {given!r}.')
    faults = [parse_fault(str(text)) for text in texts]
    bench = _bench(options, seed)
    bench_toml = options.get("bench_toml", demo_bench_toml())
    if not isinstance(bench_toml, str):
        said = f"Option bench_toml of the simulated bench: a text is wanted, not {bench_toml!r}."
        raise ValueError(said)  # noqa: TRY004 - every bad option is a ValueError
    if options.get("tank", False):
        bench_toml = file_with_tank(bench_toml)
    elif any(fault.kind.startswith("tank-") for fault in faults):
        raise ValueError("Option faults of the simulated bench: those of a tank need a bench that has one (tank).")
    bench_seed = seed if options.get("bench_seed") is None else _seed("bench_seed", options["bench_seed"])
    value = _number_or_none("value", options.get("value"), 0.0, 1e9)
    valve = draw_valve(model, condition, seed, severity=severity, value=value)
    if options.get("valve_seed") is not None:
        plug_ohm = valve.coil.plug_ohm
        valve = draw_valve(model, condition, _seed("valve_seed", options["valve_seed"]), severity=severity, value=value)
        valve = replace(valve, coil=replace(valve.coil, plug_ohm=plug_ohm))
    if options.get("as_stated", False):
        valve = replace(valve, start_k=bench.ambient_k + normal(COIL_U_K, seed=seed, stream=520))
    world = World(bench, valve, seed=bench_seed)
    world.connect(_choice("connected", options.get("connected", "valve"), FITTINGS))
    simulated_bench = SimulatedBench(world, seed=seed, errors=bench.instruments, bench_seed=bench_seed)
    schedule(simulated_bench, faults)
    return OpenedSimulation(
        SimClock(simulated_bench),
        MemoryByteLink(simulated_bench),
        MemoryTextLink(simulated_bench),
        with_addresses(bench_toml, "memory", "memory"),
        simulated_bench,
        SimulatedOperator(simulated_bench, world, seed=bench_seed),
    )


def _drawn_bench(seed: int) -> BenchParameters:
    """The demo bench as it really is: off its file by no more than that states (bench_file.py)."""
    nominal = BenchParameters()
    return replace(
        nominal,
        volume_m3=nominal.volume_m3 * (1 + within(0.005, seed=seed, stream=300)),
        line_leak_sccm=nominal.line_leak_sccm + within(0.05, seed=seed, stream=301),
        instruments=draw_instruments(seed),
    )


def _bench(options: Mapping[str, object], seed: int) -> BenchParameters:
    spread = _number_or_none("bench_spread", options.get("bench_spread"), 0.0, 10.0)
    given = options.get("bench_seed")
    bench = _drawn_bench(seed)
    as_stated = options.get("as_stated", False)
    if not isinstance(as_stated, bool) or (as_stated and spread is not None):
        raise ValueError("Option as_stated of the simulated bench: True or False, and without bench_spread.")
    if as_stated:
        bench = draw_stated(seed if given is None else _seed("bench_seed", given))
    elif given is not None or spread is not None:
        bench_seed = seed if given is None else _seed("bench_seed", given)
        bench = draw_bench(bench_seed, spread=1.0 if spread is None else spread)
    has_tank = options.get("tank", False)
    if not isinstance(has_tank, bool):
        said = f"Option tank of the simulated bench: True or False is wanted, not {has_tank!r}."
        raise ValueError(said)  # noqa: TRY004 - every bad option is a ValueError
    if has_tank:
        bench = with_tank(bench, seed if given is None else _seed("bench_seed", given))
    truths = options.get("bench_truth", {})
    if not isinstance(truths, Mapping):
        said = f"Option bench_truth of the simulated bench: names and values are wanted, not {truths!r}."
        raise ValueError(said)  # noqa: TRY004 - every bad option is a ValueError
    try:
        return overridden(bench, truths)
    except ValueError as error:
        raise ValueError(f"Option bench_truth of the simulated bench: {error}") from None


def _seed(option: str, given: object) -> int:
    if isinstance(given, bool) or not isinstance(given, int) or given < 0:
        raise ValueError(
            f"Option {option} of the simulated bench: a whole number, 0 or more, is wanted, not {given!r}."
        )
    return given


def _number_or_none(option: str, given: object, low: float, high: float) -> float | None:
    if given is None:
        return None
    if isinstance(given, bool) or not isinstance(given, (int, float)) or not low <= given <= high:
        raise ValueError(
            f"Option {option} of the simulated bench: a number from {low:g} to {high:g} is wanted, not {given!r}."
        )
    return float(given)


def _choice(option: str, given: object, choices: tuple[str, ...]) -> str:
    if not isinstance(given, str) or given not in choices:
        raise ValueError(f"Option {option} of the simulated bench: {given!r} is not one of {', '.join(choices)}.")
    return given
