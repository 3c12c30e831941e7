"""A host for the board's tests: asks, opens the answer, lets time pass."""

from firmware_protocol import messages as m
from firmware_protocol.board import Board
from firmware_protocol.frame import Decoder, encode
from tests.firmware_protocol.bodies import BUILD, CHANNELS, IDENTITY
from tests.firmware_protocol.fake_port import FakePort

UNPACK = {
    m.HELLO: m.unpack_hello,
    m.READ: m.unpack_reading,
    m.CAPTURE: m.unpack_progress,
    m.PROGRESS: m.unpack_progress,
    m.BLOCK: m.unpack_block,
}
SILENT_MS, COIL_MS, OVER_CURRENT_RAW = 500, 2000, 0x8000


class Host:
    """One host and one board on a fake port."""

    def __init__(self, **port):
        self.port = FakePort(**port)
        self.board = Board(self.port, IDENTITY, BUILD, CHANNELS)
        self.decoder = Decoder()
        self.seq = 0

    def send(self, wire):
        """Answers to raw bytes, opened as frames."""
        return self.decoder.feed(self.board.receive(wire))

    def ask(self, kind, body=b""):
        """The answer to a new request as a tuple; a Refused if it was refused."""
        self.seq = (self.seq + 1) % 256
        ((seq, answer, got),) = self.send(encode(self.seq, kind, body))
        assert seq == self.seq
        if answer == m.REFUSED:
            refused = m.unpack_refused(got)
            assert refused.request_kind == kind
            return refused
        assert answer == kind | m.ANSWER
        return UNPACK.get(kind, m.unpack_status)(got)

    def refusal(self, kind, body=b""):
        """(code, detail) of a request that must be refused and must change nothing."""
        before = (self.board.outputs, self.board.armed, self.board.cause, self.board.next_due_us())
        refused = self.ask(kind, body)
        assert isinstance(refused, m.Refused), refused
        after = (self.board.outputs, self.board.armed, self.board.cause, self.board.next_due_us())
        if not before[1]:  # a frame heard moves the silence limit of an armed board, and nothing else
            assert after == before
        assert after[:3] == before[:3]
        return refused.code, refused.detail

    def arm(self, silent_ms=SILENT_MS, coil_ms=COIL_MS, over_current_raw=OVER_CURRENT_RAW):
        status = self.ask(m.ARM, m.pack_arm(silent_ms, coil_ms, over_current_raw))
        assert status.armed
        return status

    def greet(self, **limits):
        """HELLO and ARM."""
        self.ask(m.HELLO)
        self.arm(**limits)

    def set(self, outputs):
        return self.ask(m.SET, m.pack_set(outputs))

    def capture(self, capture_id=1, mask=1, period_us=1000, samples=100, at=m.NEVER, on=0, release=m.NEVER, then=0):
        wanted = m.Capture(capture_id, mask, period_us, samples, at, on, release, then)
        return self.ask(m.CAPTURE, m.pack_capture(wanted))

    def status(self):
        return self.ask(m.STATUS)

    def tick_at(self, us):
        """Let the clock jump and the board's loop come round once."""
        self.port.us = us
        self.board.tick()

    def run_until(self, us, each_us=None):
        """Let time pass as on a real board: a tick whenever something is due, and every `each_us` if given."""
        while True:
            due = self.board.next_due_us()
            stops = [us]
            if due is not None:
                stops.append(max(due, self.port.us))
            if each_us is not None:
                stops.append(self.port.us + each_us)
            stop = min(stops)
            self.port.us = stop
            self.board.tick()
            if stop >= us:
                return
