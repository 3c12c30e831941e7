"""One suite for every byte link: in memory, pyserial's loop, a pseudo-terminal, and over the network."""

import os
import select
import socket
import threading
import tty
from dataclasses import dataclass
from typing import Any

import pytest
import serial
from serial import rfc2217

from benchrig.clock import RealClock
from benchrig.drivers import serial_link
from benchrig.drivers.serial_link import open_serial
from benchrig.errors import ConfigError, LinkError, LinkTimeout
from firmware_protocol import messages
from firmware_protocol.frame import encode
from simulators.links.in_process import MemoryByteLink, SimClock
from simulators.simulated_bench import SimulatedBench
from tests.drivers.fakes import SteadyWorld

pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name).*:DeprecationWarning")  # pyserial's RFC 2217
ASK = encode(1, messages.HELLO, b"")
GONE = (LinkError, OSError)


@dataclass
class Case:
    link: Any
    clock: Any
    answer: bytes
    """What comes back for `ASK`."""
    unplug: Any = None

    def read_whole(self, within_s=2.0):
        got = b""
        deadline = self.clock.now() + within_s
        while len(got) < len(self.answer) and self.clock.now() < deadline:
            got += self.link.read(deadline)
        return got


class PtyBoard:
    """The far end of a pseudo-terminal: answers `ASK` with a fixed answer, in two pieces."""

    def __init__(self, answer):
        self._answer = answer
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self):
        held = b""
        while not self._stop.is_set():
            if not select.select([self._master], [], [], 0.01)[0]:
                continue
            held += os.read(self._master, 4096)
            if held.endswith(ASK):
                held = b""
                os.write(self._master, self._answer[:5])
                os.write(self._master, self._answer[5:])
        os.close(self._slave)
        os.close(self._master)

    def unplug(self):
        self._stop.set()
        self._thread.join(5.0)
        assert not self._thread.is_alive()


class NetworkBoard:
    """A board behind a serial port of the network: bytes as they are, or by RFC 2217 as pyserial's server speaks it."""

    def __init__(self, kind, answer):
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"{kind}://127.0.0.1:{self._listener.getsockname()[1]}"
        self._spoken = kind == "rfc2217"
        self._answer = answer
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self):
        host, _ = self._listener.accept()
        host.settimeout(0.01)
        manager = None
        if self._spoken:
            sending = type("Sending", (), {"write": staticmethod(host.sendall)})()
            manager = rfc2217.PortManager(serial.serial_for_url("loop://"), sending)
        held = b""
        while not self._stop.is_set():
            try:
                data = host.recv(4096)
            except TimeoutError:
                continue
            if not data:
                break
            held += b"".join(manager.filter(data)) if manager else data
            while ASK in held:
                held = held.partition(ASK)[2]
                answer = b"".join(manager.escape(self._answer)) if manager else self._answer
                host.sendall(answer[:5])
                host.sendall(answer[5:])
        host.close()
        self._listener.close()

    def unplug(self):
        self._stop.set()
        self._thread.join(5.0)
        assert not self._thread.is_alive()


def in_memory():
    simulated_bench = SimulatedBench(SteadyWorld(), seed=1)

    def unplug():
        simulated_bench.board_unplugged = True

    answer = SimulatedBench(SteadyWorld(), seed=1).board_exchange(ASK)
    case = Case(MemoryByteLink(simulated_bench), SimClock(simulated_bench), answer, unplug)
    yield case
    case.link.close()


def loop():
    clock = RealClock()
    case = Case(open_serial("loop://", clock), clock, ASK)
    yield case
    case.link.close()


def pty():
    answer = SimulatedBench(SteadyWorld(), seed=1).board_exchange(ASK)
    board = PtyBoard(answer)
    clock = RealClock()
    case = Case(open_serial(board.path, clock), clock, answer, board.unplug)
    yield case
    case.link.close()
    if board._thread.is_alive():
        board.unplug()


def network(kind):
    answer = SimulatedBench(SteadyWorld(), seed=1).board_exchange(ASK)
    board = NetworkBoard(kind, answer)
    clock = RealClock()
    case = Case(open_serial(board.url, clock), clock, answer, board.unplug)
    yield case
    case.link.close()
    board.unplug()


def tcp():
    yield from network("socket")


def by_rfc2217():
    yield from network("rfc2217")


@pytest.fixture(
    params=[in_memory, loop, pty, tcp, pytest.param(by_rfc2217, marks=pytest.mark.slow)], ids=lambda make: make.__name__
)
def case(request):
    yield from request.param()


def test_it_has_a_name(case):
    assert isinstance(case.link.name, str)
    assert case.link.name


def test_an_answer_arrives_whole(case):
    case.link.write(ASK)
    assert case.read_whole() == case.answer


def test_many_exchanges_follow_each_other(case):
    for _ in range(20):
        case.link.write(ASK)
        assert case.read_whole() == case.answer


def test_a_deadline_that_has_passed_does_not_wait(case):
    before = case.clock.now()
    assert case.link.read(before - 1.0) == b""
    assert case.clock.now() - before < 0.05


def test_silence_lasts_until_the_deadline_and_not_longer_than_a_slice(case):
    deadline = case.clock.now() + 0.06
    assert case.link.read(deadline) == b""
    assert deadline - 0.002 <= case.clock.now() < deadline + 0.1


def test_what_arrives_after_a_deadline_is_not_lost(case):
    case.link.write(ASK)
    got = case.link.read(case.clock.now())
    case.clock.sleep_until(case.clock.now() + 0.03)
    case.answer = case.answer[len(got) :]
    assert case.read_whole() == case.answer


def test_closing_twice_is_safe_and_a_closed_link_is_gone(case):
    case.link.close()
    case.link.close()
    with pytest.raises(GONE):
        case.link.write(ASK)
    with pytest.raises(GONE):
        case.link.read(case.clock.now() + 0.01)


@pytest.mark.parametrize("make", [in_memory, pty, tcp], ids=lambda make: make.__name__)
def test_an_unplugged_device_is_gone_for_reading_and_for_writing(make):
    running = make()
    case = next(running)
    case.unplug()
    with pytest.raises(GONE):
        case.link.read(case.clock.now() + 1.0)
    with pytest.raises(GONE):
        case.link.write(ASK)
    for _ in running:
        pass


# ---- the serial port alone


@pytest.fixture
def pty_case():
    yield from pty()


def test_unplugging_is_told_with_port_and_hint_and_keeps_its_cause(pty_case):
    pty_case.unplug()
    with pytest.raises(LinkError, match=rf"Serial port {pty_case.link.name}: the port failed while reading") as caught:
        pty_case.link.read(pty_case.clock.now() + 1.0)
    assert caught.value.__cause__ is not None
    assert caught.value.hint.startswith("Is the USB cable plugged in")


def flood(link):
    for _ in range(100):
        link.write(bytes(4096))


def test_a_port_that_takes_no_more_bytes_is_a_timeout_and_no_hang():
    master, slave = os.openpty()
    tty.setraw(slave)
    link = open_serial(os.ttyname(slave), RealClock())
    try:
        with pytest.raises(LinkTimeout, match="took no more bytes"):
            flood(link)
    finally:
        link.close()
        os.close(slave)
        os.close(master)


def test_a_port_that_is_not_there_is_told_with_those_that_are():
    with pytest.raises(LinkError, match="/dev/ttyNONE9: there is no such port") as caught:
        open_serial("/dev/ttyNONE9", RealClock())
    assert "Ports there are:" in caught.value.hint


def test_a_port_that_another_program_holds_is_told_as_busy(pty_case):
    with pytest.raises(LinkError, match="another program holds it"):
        open_serial(pty_case.link.name, RealClock())


def test_a_file_is_no_serial_port(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("not a port")
    with pytest.raises(LinkError, match="not a serial port"):
        open_serial(str(path), RealClock())


def test_a_url_of_no_known_kind_is_a_configuration_error():
    with pytest.raises(ConfigError, match="not a port that can be opened"):
        open_serial("teleport://here", RealClock())


def test_a_permission_refused_is_told_with_the_group(monkeypatch):
    def refuse(*_, **__):
        raise serial.SerialException(13, "could not open port: [Errno 13] Permission denied")

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    with pytest.raises(LinkError, match="may not open it") as caught:
        open_serial("/dev/ttyACM0", RealClock())
    assert "group" in caught.value.hint


# ---- the serial port of a network, and of Windows


def test_a_port_of_the_network_that_nobody_serves_is_told_with_what_to_look_at():
    with socket.create_server(("127.0.0.1", 0)) as taken:
        number = taken.getsockname()[1]
    with pytest.raises(
        LinkError, match=rf"socket://127.0.0.1:{number}: cannot be reached \(Connection refused\)"
    ) as told:
        open_serial(f"socket://127.0.0.1:{number}", RealClock())
    assert "host and port right" in told.value.hint


@pytest.mark.parametrize("port", ["socket://127.0.0.1", "socket://127.0.0.1:70000", "rfc2217://127.0.0.1"])
def test_an_address_of_the_network_that_is_not_complete_is_a_configuration_error(port):
    with pytest.raises(ConfigError, match="not a complete address") as told:
        open_serial(port, RealClock())
    assert "socket://HOST:PORT" in told.value.hint


@pytest.mark.parametrize(
    ("said", "words", "hint"),
    [
        ("FileNotFoundError(2, 'The system cannot find the file specified.', None, 2)", "no such port", "Ports there"),
        ("PermissionError(13, 'Access is denied.', None, 5)", "another program holds it", "Device Manager"),
    ],
)
def test_on_windows_the_reason_is_read_from_pyserials_words(monkeypatch, said, words, hint):
    def refuse(*_, **__):
        raise serial.SerialException(f"could not open port 'COM7': {said}")  # serialwin32.py of pyserial 3.5

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    monkeypatch.setattr(serial_link, "WINDOWS", True)
    with pytest.raises(LinkError, match=f"COM7: .*{words}") as told:
        open_serial("COM7", RealClock())
    assert hint in told.value.hint
    assert not any(word in told.value.hint for word in ("fuser", "dialout"))
