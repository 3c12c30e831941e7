"""The simulated bench as one object: world, board and meter kept in step.

The simulated bench alone moves the world. It stops at every instant at which somebody has something to do (the board's
limits and switches, the meter's apertures, scheduled actions), so that these happen exactly when they are due, and lets
the world run freely in between. How the way to an instant is cut into calls makes no difference.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Callable

from firmware_protocol.board import Board
from firmware_protocol.messages import COIL, DIGEST_BYTES, RESET_POWER
from simulators.instruments.board_cable import BoardCable
from simulators.instruments.board_pins import CHANNELS, BoardPins
from simulators.instruments.interfaces import PhysicalWorld
from simulators.instruments.meter import MeterMode, SimulatedMeter
from simulators.world.parameters import InstrumentErrors

__all__ = ["BUILD", "IDENTITY", "SimulatedBench"]

IDENTITY = b"BRSIM001"
BUILD = 1
WATCH_US = 5_000
"""While the coil is on, the board looks at the coil current this often: a turn of the real one's loop takes 1 to 4 ms,
22 at worst (BOARD.md). In a capture each look takes in all samples since the last one."""


class SimulatedBench:
    """World, board and meter, moved on together.

    Parameters
    ----------
    world : PhysicalWorld
        The physical world, at its start.
    seed : int
        Of noise, and of instrument errors unless they are given.
    errors : InstrumentErrors or None
        Gain and offset errors of board and meter.
    bench_seed : int or None
        Of the errors of the meter's ranges; None: `seed`.

    Attributes
    ----------
    board : Board
        The board's own logic, on simulated pins.
    meter : SimulatedMeter
        The multimeter.
    wire : BoardCable
        What the link to the board does to frames.
    board_unplugged : bool
        Nobody can talk to the board; it runs on.
    on_change : callable
        Called with (instant in seconds, outputs, cause of the latched trip) whenever one of the latter two is new.

    Examples
    --------
    >>> from simulators.entry import open_bench
    >>> simulated_bench = open_bench({}).simulated_bench
    >>> simulated_bench.advance_to(0.25)
    >>> simulated_bench.now_s, simulated_bench.board.outputs
    (0.25, 0)
    """

    def __init__(
        self, world: PhysicalWorld, *, seed: int, errors: InstrumentErrors | None = None, bench_seed: int | None = None
    ) -> None:
        self.world = world
        self.board_unplugged = False
        self.on_change: Callable[[float, int, int], None] = lambda _t_s, _outputs, _cause: None
        self.wire = BoardCable(seed)
        self._pins = BoardPins(world, seed=seed, errors=errors)
        started = (RESET_POWER, IDENTITY, bytes(DIGEST_BYTES), "simulated board")
        self.board = Board(self._pins, IDENTITY, BUILD, CHANNELS, started)
        wrong = InstrumentErrors() if errors is None else errors
        self.meter = SimulatedMeter(
            world, seed=seed, range_seed=bench_seed, gain=wrong.meter_gain, zero_ohm=wrong.meter_zero_ohm
        )
        self._actions: list[tuple[float, int, Callable[[], None]]] = []
        self._ticket = itertools.count()
        self._seen = (0, 0)
        self._watched_us = -1

    @property
    def now_s(self) -> float:
        """Where the simulated bench stands, in seconds since the world began."""
        return self.world.t_s

    @property
    def meter_mode(self) -> MeterMode:
        """How the meter behaves; may be set at any time."""
        return self.meter.mode

    @meter_mode.setter
    def meter_mode(self, mode: MeterMode) -> None:
        self.meter.mode = mode

    @property
    def estop_ok(self) -> bool:
        """Emergency stop released. A change is felt by the board at once, and by the pump of a tank, which it feeds."""
        return self._pins.estop_ok

    @estop_ok.setter
    def estop_ok(self, released: bool) -> None:
        self._pins.estop_ok = released
        self.world.pump_fed = released
        self._tick_board()

    @property
    def guard_closed(self) -> bool:
        """Guard closed. A change is felt by the board at once."""
        return self._pins.guard_closed

    @guard_closed.setter
    def guard_closed(self, closed: bool) -> None:
        self._pins.guard_closed = closed
        self._tick_board()

    @property
    def connected(self) -> str:
        """What is on the plug and on the port: "valve", or what stands in its place."""
        return self.world.connected

    def connect(self, fitting: str) -> None:
        """Put something in the valve's place now, or the valve back: one of `simulators.world.FITTINGS`.

        Raises
        ------
        ValueError
            Nothing of that name.
        """
        self.world.connect(fitting)

    @property
    def pins(self) -> BoardPins:
        """The board's pins, for faults of what is wired to them."""
        return self._pins

    def board_exchange(self, data: bytes) -> bytes:
        """Let the board hear these bytes now; return what it says."""
        answer = self.board.receive(data)
        self._notice()
        return answer

    def at(self, t_s: float, action: Callable[[], None]) -> None:
        """Have something done at an instant; at once if that has passed. The board looks around right after it."""
        if t_s <= self.now_s:
            action()
            self._tick_board()
        else:
            heapq.heappush(self._actions, (t_s, next(self._ticket), action))

    def advance_to(self, t_s: float, *, until: Callable[[], bool] = lambda: False) -> None:
        """Move everything on to an instant.

        Parameters
        ----------
        t_s : float
            Where to stop; nothing happens if the simulated bench is there already.
        until : callable
            Asked after everything that happens on the way; True stops the simulated bench there.
        """
        while True:
            stop_s = min(t_s, self.next_stop_s())
            if stop_s > self.now_s:
                self.world.advance_to(stop_s)
            self._act()
            if stop_s >= t_s or until():
                return

    def next_stop_s(self) -> float:
        """Instant at which something next happens by itself; infinite when nothing will."""
        stops_s = [math.inf]
        board_us = self.board.next_due_us()
        if board_us is not None:
            stops_s.append(board_us * 1e-6)
        if self.board.outputs & COIL:
            # On a grid of absolute time, so that it does not matter where earlier calls stopped.
            stops_s.append((self._pins.now_us() // WATCH_US + 1) * WATCH_US * 1e-6)
        if self._actions:
            stops_s.append(self._actions[0][0])
        meter_s = self.meter.next_due()
        if meter_s is not None:
            stops_s.append(meter_s)
        return min(stops_s)

    def _act(self) -> None:
        now_s, now_us = self.now_s, self._pins.now_us()
        meter_s = self.meter.next_due()
        if meter_s is not None and meter_s <= now_s:
            self.meter.tick(now_s)
        acted = False
        while self._actions and self._actions[0][0] <= now_s:
            heapq.heappop(self._actions)[2]()
            acted = True
        board_us = self.board.next_due_us()
        due = board_us is not None and board_us <= now_us
        watch = bool(self.board.outputs & COIL) and now_us % WATCH_US == 0 and now_us != self._watched_us
        if acted or due or watch:
            self._watched_us = now_us
            self._tick_board()

    def _tick_board(self) -> None:
        self.board.tick()
        self._notice()
        due_us = self.board.next_due_us()
        if due_us is not None and due_us <= self._pins.now_us():
            raise RuntimeError(
                f"the board leaves undone what was due at {due_us} us: the simulated bench would stand still"
            )

    def _notice(self) -> None:
        seen = (self.board.outputs, self.board.cause)
        if seen != self._seen:
            self._seen = seen
            self.on_change(self.now_s, *seen)
