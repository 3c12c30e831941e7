"""The simulated instruments in real time, against real pyserial and real PyVISA."""

from __future__ import annotations

import os
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import pyvisa
import serial

from benchrig.clock import RealClock
from firmware_protocol import messages as m
from simulators.instruments.meter import IDENTITY
from simulators.links.server import Server, serve
from simulators.simulated_bench import SimulatedBench
from tests.simulators.hand_client import HandClient
from tests.simulators.still_world import StillWorld

ROOT = Path(__file__).parents[3]
PATIENCE_S = 20.0
HOST = """
import sys
from benchrig.clock import RealClock
from tests.simulators.hand_client import HandClient
from tests.simulators.links.test_server import SerialPort, ask_for_ever

client = HandClient(SerialPort(sys.argv[1]), RealClock())
client.hello()
client.arm(host_silent_ms=400)
client.set(0x10)
ask_for_ever(client)
"""
"""A host that keeps the vent closed and the board fed until it is killed."""


class Served:
    """A served simulated bench in another process: what it said, line by line."""

    def __init__(self, process: subprocess.Popen[bytes], folder: Path) -> None:
        self.process = process
        self.port = str(folder / "board")
        self._said = b""
        assert self.next_line() == f"board  {self.port}"
        self.meter_address = self.next_line().removeprefix("meter  ")

    def next_line(self) -> str:
        """The next line that it says; fails if none comes for a long time."""
        while b"\n" not in self._said:
            assert select.select([self.process.stdout], [], [], PATIENCE_S)[0], f"nothing more after {self._said!r}"
            more = os.read(self.process.stdout.fileno(), 4096)
            assert more, "the server ended"
            self._said += more
        line, _, self._said = self._said.partition(b"\n")
        return line.decode()

    def line_with(self, part: str) -> str:
        """The next line that has this in it."""
        while part not in (line := self.next_line()):
            pass
        return line

    @property
    def meter_port(self) -> int:
        return int(self.meter_address.split("::")[2])


@contextmanager
def served(folder: Path, *faults: str) -> Iterator[Served]:
    command = [sys.executable, "-m", "tests.simulators.links.still_server", str(folder), *faults]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE) as process:
        try:
            yield Served(process, folder)
        finally:
            process.send_signal(signal.SIGINT)
            process.wait(PATIENCE_S)


def ask_for_ever(client: HandClient) -> None:
    while True:
        client.status()


class SerialPort:
    """pyserial as the least of links."""

    def __init__(self, port: str) -> None:
        self._serial = serial.Serial(port, 115_200, timeout=0.5, exclusive=True)
        self._serial.reset_input_buffer()

    def write(self, data: bytes) -> None:
        self._serial.write(data)

    def read(self, _deadline: float) -> bytes:
        return self._serial.read(max(1, self._serial.in_waiting))

    def close(self) -> None:
        self._serial.close()


@contextmanager
def board_on(server: Served) -> Iterator[HandClient]:
    port = SerialPort(server.port)
    try:
        yield HandClient(port, RealClock())
    finally:
        port.close()


@contextmanager
def meter_on(server: Served) -> Iterator[pyvisa.resources.MessageBasedResource]:
    manager = pyvisa.ResourceManager("@py")
    session = manager.open_resource(
        server.meter_address, read_termination="\n", write_termination="\n", timeout=int(PATIENCE_S * 1000)
    )
    try:
        yield session
    finally:
        session.close()
        manager.close()


@pytest.mark.slow
def test_a_board_on_a_pseudo_terminal_is_talked_to_with_pyserial(tmp_path):
    with served(tmp_path) as server:
        for _ in range(2):  # the port can be closed and opened again
            with board_on(server) as client:
                assert client.hello().identity == b"BRSIM001"
                client.arm(host_silent_ms=10_000)
                assert client.set(m.VENT).outputs == m.VENT
                client.capture(4, 0b0011, 100, 400, 50, m.VENT | m.COIL, 250, m.VENT)
                while not (progress := client.progress()).finished:
                    pass
                assert (progress.switched_us, progress.released_us) == (5_000, 25_000)
                rows = client.block(4, 0, 250)
                assert rows[:50, 0].max() < 100
                assert rows[51:, 0].min() > 15_000
                assert client.set(0).outputs == 0
        assert server.line_with("outputs on: coil vent").endswith("s  outputs on: coil vent")


@pytest.mark.slow
def test_a_meter_on_tcp_is_talked_to_with_pyvisa(tmp_path):
    with served(tmp_path) as server:
        for _ in range(2):  # the session can be closed and opened again
            with meter_on(server) as session:
                assert session.query("*IDN?") == IDENTITY
                session.write("CONF:FRES 100;:FRES:NPLC 1;:INIT;*OPC")
                while not int(session.query("*ESR?")) & 1:
                    pass
                assert float(session.query("FETC?")) == pytest.approx(24.5, abs=0.01)


@pytest.mark.slow
def test_lines_to_the_meter_may_come_in_pieces_and_with_carriage_returns(tmp_path):
    with served(tmp_path) as server, socket.create_connection(("127.0.0.1", server.meter_port)) as wire:
        wire.settimeout(PATIENCE_S)
        answers = wire.makefile("rb")
        for piece in (b"*ID", b"N?\r\n*OP", b"C?\n\n"):
            wire.sendall(piece)
        assert answers.readline() == IDENTITY.encode() + b"\n"
        assert answers.readline() == b"1\n"
        wire.sendall(b"A" * 6000)
        wire.sendall(b"\nSYST:ERR?\nSYST:ERR?\n")
        codes = {answers.readline()[:4] for _ in range(2)}
        assert b"-363" in codes


@pytest.mark.slow
def test_a_second_client_of_the_meter_waits_until_the_first_has_gone(tmp_path):
    with served(tmp_path) as server:
        first = socket.create_connection(("127.0.0.1", server.meter_port))
        first.sendall(b"*IDN?\n")
        assert first.recv(100) == IDENTITY.encode() + b"\n"
        with socket.create_connection(("127.0.0.1", server.meter_port)) as second:
            second.sendall(b"*OPC?\n")
            assert not select.select([second], [], [], 0.2)[0]
            first.sendall(b"MEAS:FRES? 100\n")  # its answer is lost with it, and does not reach the second client
            first.close()
            assert select.select([second], [], [], PATIENCE_S)[0]
            assert second.recv(100) == b"1\n"


@pytest.mark.slow
def test_a_killed_host_makes_the_board_switch_off(tmp_path):
    with served(tmp_path) as server:
        with subprocess.Popen([sys.executable, "-c", HOST, server.port], cwd=ROOT) as host:
            on = server.line_with("outputs on: vent")
            assert not select.select([server.process.stdout], [], [], 0.6)[0], "tripped while it was fed"
            host.kill()
        off = server.line_with("all outputs off")
        assert off.endswith("(tripped: the host fell silent)")
        assert float(off.split()[0]) - float(on.split()[0]) > 0.9
        with board_on(server) as client:
            client.hello()
            status = client.status()
        assert (status.outputs, status.cause) == (0, m.CAUSE_SILENT)


@pytest.mark.slow
def test_pulling_the_boards_plug_closes_the_port_and_takes_the_link_away(tmp_path):
    with served(tmp_path, "unplug@3") as server, board_on(server) as client:
        client.hello()
        client.arm(host_silent_ms=500)
        client.set(m.VENT)
        with pytest.raises((OSError, TimeoutError)):
            ask_for_ever(client)
        assert not Path(server.port).is_symlink()
        assert "fell silent" in server.line_with("all outputs off")


@pytest.mark.slow
def test_pulling_the_meters_plug_closes_the_socket_for_good(tmp_path):
    with served(tmp_path, "meter-unplug@3") as server:
        with socket.create_connection(("127.0.0.1", server.meter_port)) as wire:
            wire.settimeout(PATIENCE_S)
            assert wire.recv(100) == b""
        with pytest.raises(OSError, match="refused"):
            socket.create_connection(("127.0.0.1", server.meter_port))


@pytest.mark.slow
def test_ending_the_server_takes_the_link_away(tmp_path):
    with served(tmp_path) as server:
        assert Path(server.port).is_symlink()
        server.process.send_signal(signal.SIGINT)
        assert server.line_with("ended") == "ended"
        assert not Path(server.port).is_symlink()


def test_serving_ends_when_it_is_told_to(tmp_path):
    said: list[str] = []
    serve(SimulatedBench(StillWorld(), seed=1), folder=tmp_path, announce=said.append, until=lambda: len(said) >= 2)
    assert [line.split()[0] for line in said] == ["board", "meter"]
    assert list(tmp_path.iterdir()) == []


def test_a_taken_tcp_port_is_refused_in_words(tmp_path):
    with Server(SimulatedBench(StillWorld(), seed=1), folder=tmp_path, meter_port=0, announce=print) as server:
        port = int(server.meter_address.split("::")[2])
        with pytest.raises(ValueError, match=rf"TCP port {port} on this computer cannot be had"):
            Server(SimulatedBench(StillWorld(), seed=1), folder=tmp_path / "b", meter_port=port, announce=print)


def test_a_file_in_the_way_of_the_boards_link_is_left_alone(tmp_path):
    (tmp_path / "board").write_text("mine")
    with pytest.raises(ValueError, match="is in the way"):
        Server(SimulatedBench(StillWorld(), seed=1), folder=tmp_path, meter_port=0, announce=print)
    assert (tmp_path / "board").read_text() == "mine"


def test_a_link_left_over_from_a_killed_server_is_replaced(tmp_path):
    (tmp_path / "board").symlink_to("/dev/pts/nothing")
    with Server(SimulatedBench(StillWorld(), seed=1), folder=tmp_path, meter_port=0, announce=print) as server:
        assert Path(server.board_port).exists()
    assert list(tmp_path.iterdir()) == []
