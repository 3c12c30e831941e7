"""Stand-ins under the drivers: a world that stands still, a board's wire that loses and damages, and scripted peers.

The board and the meter themselves are the simulated ones, on the real protocol.
"""

from __future__ import annotations

import itertools
import os
import random
import select
import socket
import threading
import tty
from collections import deque
from collections.abc import Callable, Iterable

import numpy as np

from simulators.links.in_process import MemoryByteLink
from simulators.simulated_bench import SimulatedBench


class SteadyWorld:
    """A world in which every quantity keeps its value; it only remembers what was switched, and when."""

    def __init__(self) -> None:
        self.t_s = 0.0
        self.supply_on = True
        self.line_leak_sccm = 0.0
        self.pump_strength = 1.0
        self.switched: list[tuple[float, int]] = []
        self.current_a, self.pressure_pa, self.volts, self.kelvin = 0.5, 100e3, 13.5, 295.0
        self.ohm, self.terminal_v = 24.5, 0.0

    def advance_to(self, t_s: float) -> None:
        self.t_s = max(self.t_s, t_s)

    def set_outputs(self, mask: int) -> None:
        self.switched.append((self.t_s, mask))

    def coil_current_a(self) -> float:
        return self.current_a

    def transducer_pa(self) -> float:
        return self.pressure_pa

    def supply_v(self) -> float:
        return self.volts

    def ambient_thermistor_k(self) -> float:
        return self.kelvin

    def meter_ohm(self, wires: int) -> float:
        return self.ohm + (0.3 if wires == 2 else 0.0)

    def meter_volts(self) -> float:
        return self.terminal_v

    def start_sampler(self, t0_s: float, period_s: float, samples: int) -> RampSampler:
        return RampSampler(self, t0_s, period_s, samples)

    def toggles(self, bit: int) -> int:
        """How often one output changed."""
        states = [bool(mask & bit) for _, mask in self.switched]
        return sum(a != b for a, b in itertools.pairwise(states))


class RampSampler:
    """Samples that tell their own index, so that a misplaced one is seen."""

    def __init__(self, world: SteadyWorld, t0_s: float, period_s: float, samples: int) -> None:
        self._world, self._t0_s, self._period_s, self._samples = world, t0_s, period_s, samples
        index = np.arange(samples, dtype=np.float64)
        self.arrays = {
            "current_a": 0.2 + 1e-3 * (index % 1000),
            "transducer_pa": 20e3 + 10.0 * (index % 1000),
            "supply_v": np.full(samples, 13.5),
            "thermistor_k": np.full(samples, 295.0),
        }

    @property
    def recorded(self) -> int:
        done = int((self._world.t_s - self._t0_s) / self._period_s + 1e-6) + 1
        return min(max(done, 0), self._samples)


class LossyLink:
    """A byte link that drops, damages, repeats, delays and cuts up what passes, in order, as a seed tells it."""

    def __init__(
        self,
        simulated_bench: SimulatedBench,
        seed: int,
        *,
        drop: float,
        damage: float,
        repeat: float,
        delay: float,
        delay_s: float,
    ) -> None:
        self.name = "a bad cable"
        self._simulated_bench = simulated_bench
        self._inner = MemoryByteLink(simulated_bench)
        self._random = random.Random(seed)
        self._odds = (drop, damage, repeat, delay)
        self._delay_s = delay_s
        self._last_out_s = 0.0
        self._held: deque[tuple[float, bytes]] = deque()

    def _fates(self, data: bytes) -> tuple[float, list[bytes]]:
        """Delay in seconds, and what goes on from here."""
        drop, damage, repeat, delay = (self._random.random() < odds for odds in self._odds)
        if drop:
            return 0.0, []
        if damage:
            at = self._random.randrange(len(data))
            data = data[:at] + bytes([data[at] ^ (1 << self._random.randrange(8))]) + data[at + 1 :]
        return (self._random.random() * self._delay_s if delay else 0.0), [data] * (2 if repeat else 1)

    def write(self, data: bytes) -> None:
        delay_s, copies = self._fates(data)
        self._last_out_s = max(self._last_out_s, self._simulated_bench.now_s + delay_s)
        for copy in copies:
            self._simulated_bench.at(self._last_out_s, lambda copy=copy: self._inner.write(copy))

    def read(self, deadline: float) -> bytes:
        while True:
            now_s = self._simulated_bench.now_s
            if self._held and self._held[0][0] <= now_s:
                data = self._held.popleft()[1]
                cut = self._random.randint(1, len(data))
                if data[cut:]:
                    self._held.appendleft((now_s, data[cut:]))
                return data[:cut]
            limit = min([deadline, *(ready_s for ready_s, _ in list(self._held)[:1])])
            data = self._inner.read(limit)
            if data:
                delay_s, copies = self._fates(data)
                ready_s = max([self._simulated_bench.now_s + delay_s, *(ready_s for ready_s, _ in self._held)])
                self._held += [(ready_s, copy) for copy in copies]
            elif self._simulated_bench.now_s >= deadline:
                return b""

    def close(self) -> None:
        self._inner.close()


class ScriptedByteLink:
    """Whatever is written, this comes back."""

    def __init__(self, clock: Ticks, answer: Callable[[bytes], bytes]) -> None:
        self.name = "/dev/ttyACM7"
        self._clock = clock
        self._answer = answer
        self._arriving = b""

    def write(self, data: bytes) -> None:
        self._arriving += self._answer(data)

    def read(self, deadline: float) -> bytes:
        if not self._arriving:
            self._clock.sleep_until(deadline)
        data, self._arriving = self._arriving, b""
        return data

    def close(self) -> None:
        pass


class ScriptedTextLink:
    """A meter that answers from a table; a question that is not in it is not answered.

    A value may be a list, which is used up, or an exception, which is raised on reading.
    """

    def __init__(self, clock: Ticks, answers: dict[str, object]) -> None:
        self.name = "TCPIP0::192.0.2.7::5025::SOCKET"
        self.answers = answers
        self.sent: list[str] = []
        self.opened = 1
        self._clock = clock
        self._arriving: deque[object] = deque()

    def write(self, line: str) -> None:
        self.sent.append(line)
        answer = self.answers.get(line)
        if isinstance(answer, list):
            answer = answer.pop(0) if answer else None
        if answer is not None:
            self._arriving.append(answer)

    def read(self, deadline: float) -> str | None:
        if not self._arriving:
            self._clock.sleep_until(deadline)
            return None
        answer = self._arriving.popleft()
        if isinstance(answer, Exception):
            raise answer
        assert isinstance(answer, str)
        return answer

    def reopen(self) -> None:
        self.opened += 1
        self._arriving.clear()

    def close(self) -> None:
        pass


class Ticks:
    """A clock that nothing else depends on."""

    def __init__(self) -> None:
        self.t_s = 0.0

    def now(self) -> float:
        return self.t_s

    def sleep_until(self, t: float) -> None:
        self.t_s = max(self.t_s, t)


Piece = tuple[float, bytes]
"""So many seconds later, these bytes; no bytes: the peer closes."""


class Peer:
    """A meter's language on real wires: answers lines from a table, in pieces, each after its delay, in a thread."""

    def __init__(self, answers: dict[bytes, Iterable[Piece]]) -> None:
        self.answers = dict(answers)
        self.heard: list[bytes] = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Peer:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()

    def unplug(self) -> None:
        self._stop.set()
        self._thread.join(5.0)
        assert not self._thread.is_alive()

    def _run(self) -> None:
        raise NotImplementedError

    def _serve(self, read: Callable[[], bytes], write: Callable[[bytes], object]) -> None:
        """Answer until the other end closes, or we do."""
        held = b""
        while not self._stop.is_set():
            got = read()
            if not got:
                return
            held += got
            while b"\n" in held:
                line, held = held.split(b"\n", 1)
                self.heard.append(line)
                for delay_s, piece in self.answers.get(line, ()):
                    if self._stop.wait(delay_s) or not piece:
                        return
                    try:
                        write(piece)
                    except OSError:  # the other end has gone meanwhile
                        return


class TcpPeer(Peer):
    """The peer behind a TCP port of 127.0.0.1."""

    def __init__(self, answers: dict[bytes, Iterable[Piece]]) -> None:
        super().__init__(answers)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self.address = f"TCPIP0::127.0.0.1::{self.port}::SOCKET"

    def _run(self) -> None:
        with self._listener:
            while not self._stop.is_set():
                if not select.select([self._listener], [], [], 0.01)[0]:
                    continue
                connection, _ = self._listener.accept()
                with connection:
                    self._serve(lambda c=connection: self._read(c), connection.sendall)

    def _read(self, connection: socket.socket) -> bytes:
        while not self._stop.is_set():
            if select.select([connection], [], [], 0.01)[0]:
                try:
                    return connection.recv(4096)
                except ConnectionResetError:
                    return b""
        return b""


class PtyPeer(Peer):
    """The peer behind a pseudo-terminal. `path` is the end to open."""

    def __init__(self, answers: dict[bytes, Iterable[Piece]]) -> None:
        super().__init__(answers)
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self.address = f"ASRL{self.path}::INSTR"

    def _run(self) -> None:
        self._serve(self._read, lambda piece: os.write(self._master, piece))
        os.close(self._slave)
        os.close(self._master)

    def _read(self) -> bytes:
        while not self._stop.is_set():
            if select.select([self._master], [], [], 0.01)[0]:
                return os.read(self._master, 4096)
        return b""
