"""No sequence of frames, garbage, silence, pin and current changes leaves an output on beyond its rule.

The model beside the board is deliberately small: it knows only what may be on, not what the board ought to answer.
"""

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from firmware_protocol import messages as m
from firmware_protocol.board import Board
from firmware_protocol.frame import Decoder, encode
from tests.firmware_protocol.bodies import BUILD, CHANNELS, IDENTITY
from tests.firmware_protocol.fake_port import FakePort

TICK_US = 1_000  # the board's loop comes round this often, or when something is due
OUTPUTS = st.one_of(st.just(m.COIL | m.VENT), st.integers(0, m.ALL_OUTPUTS))
ALLOWED = st.sampled_from([m.COIL, m.COIL | m.VENT, m.METER, m.PUMP | m.VENT])


class Outputs(RuleBasedStateMachine):
    """A board whose outputs are watched at every write."""

    @initialize()
    def power_up(self):
        self.port = FakePort()
        self.board = Board(self.port, IDENTITY, BUILD, CHANNELS)
        self.decoder = Decoder()
        self.host = Decoder()  # tells what of our bytes was a frame
        self.seq = 0
        self.last = b""
        self.limits = None  # as last armed
        self.heard_us = 0
        self.coil_since_us = None
        self.over = False  # current above the limit since the last tick
        self.seen = 0
        self.greeted = False
        self.switch_to_come = False  # a capture was asked for, and nothing since then took it back

    def talk(self, wire):
        frames = self.host.feed(wire)
        answers = self.decoder.feed(self.board.receive(wire))
        assert len(answers) == len(frames)  # every frame is answered, nothing else is
        assert self.decoder.rejected == 0
        if frames:
            self.heard_us = self.port.us
        for (seq, kind, body), (answer_seq, answer_kind, answer) in zip(frames, answers, strict=True):
            assert answer_seq == seq
            assert answer_kind in (kind | m.ANSWER, m.REFUSED)
            if (kind, answer_kind) == (m.ARM, m.ARM | m.ANSWER):
                assert self.greeted
                if m.unpack_status(answer).armed and self.board.armed:
                    self.limits = m.unpack_arm(body)
            if (kind, answer_kind) == (m.HELLO, m.HELLO | m.ANSWER):
                self.greeted = True
            if answer_kind == m.CAPTURE | m.ANSWER:
                self.switch_to_come = True
            elif answer_kind in (m.HELLO | m.ANSWER, m.SET | m.ANSWER, m.DISARM | m.ANSWER):
                self.switch_to_come = False
        self.watch()

    def ask(self, kind, body=b""):
        self.seq = (self.seq + 1) % 256
        self.last = encode(self.seq, kind, body)
        # Ends whatever garbage went before, so that this is a frame on its own.
        self.talk(b"\0" + self.last)

    def watch(self):
        """Follow what the port was told since the last look."""
        for us, outputs in self.port.written[self.seen :]:
            assert outputs & (m.COIL | m.METER) != m.COIL | m.METER
            assert outputs <= m.ALL_OUTPUTS
            if not outputs & m.COIL:
                self.coil_since_us = None
            elif self.coil_since_us is None:
                self.coil_since_us = us
        self.seen = len(self.port.written)

    def tick(self):
        outputs, cause = self.port.outputs, self.board.cause
        self.board.tick()
        self.watch()
        if self.port.outputs & ~outputs:
            assert self.switch_to_come, "switched on by itself"
        if self.board.cause != cause:
            self.switch_to_come = False

    @rule()
    def hello(self):
        self.ask(m.HELLO)
        assert self.port.outputs == 0

    @rule(silent_ms=st.sampled_from([100, 300, 10_000]), coil_ms=st.sampled_from([1, 50, 600_000]))
    def arm(self, silent_ms, coil_ms):
        self.ask(m.ARM, m.pack_arm(silent_ms, coil_ms, 0x8000))

    @rule()
    def get_ready(self):
        """Do everything that leads to outputs being allowed, so that the machine is armed often enough."""
        self.port.inputs = 3
        self.port.channels[0] = 0
        self.ask(m.CLEAR)
        if not self.greeted:
            self.hello()
        self.ask(m.ARM, m.pack_arm(300, 100, 0x8000))
        assert self.board.armed

    @rule(outputs=ALLOWED)
    def switch_on(self, outputs):
        self.get_ready()
        self.ask(m.SET, m.pack_set(outputs))
        assert self.port.outputs == outputs

    @rule(outputs=OUTPUTS)
    def set(self, outputs):
        self.ask(m.SET, m.pack_set(outputs))
        if outputs == 0:
            assert self.port.outputs == 0

    @rule(kind=st.sampled_from([m.STATUS, m.DISARM, m.CLEAR, m.PROGRESS]))
    def bare(self, kind):
        self.ask(kind)

    @rule(ready=st.booleans(), at=st.sampled_from([0, 1, 20]), on=OUTPUTS, after=st.sampled_from([0, 1, 30]),
          then=OUTPUTS, mask=st.integers(1, 15), ms=st.sampled_from([0, 10, 70]))  # fmt: skip  # a switch in two lines
    def capture(self, ready, at, on, after, then, mask, ms):
        if ready:
            self.get_ready()
        release = at + after if after else m.NEVER
        self.ask(m.CAPTURE, m.pack_capture(m.Capture(1, mask, 1000, 64, at, on, release, then)))
        self.silence(ms)

    @rule(first=st.integers(0, 70), count=st.integers(1, 70), mask=st.integers(1, 255), samples=st.integers(1, 40))
    def read_and_fetch(self, first, count, mask, samples):
        self.ask(m.BLOCK, m.pack_block_request(1, first, count))
        self.ask(m.READ, m.pack_read(mask, samples))

    @rule(kind=st.integers(0, 255), body=st.binary(max_size=24))
    def any_request(self, kind, body):
        self.ask(kind, body)

    @rule()
    def repeat(self):
        self.tick()  # what is due anyway
        outputs = self.port.outputs
        self.talk(b"\0" + self.last)
        assert self.port.outputs & ~outputs == 0, "a repeat switched something on"

    @rule(noise=st.binary(max_size=40))
    def garbage(self, noise):
        self.talk(noise)

    @rule(inputs=st.integers(0, 3))
    def pins(self, inputs):
        self.port.inputs = inputs

    @rule(word=st.sampled_from([0, 0x7FFF, 0x8000, 0xFFFF]))
    def current(self, word):
        self.port.channels[0] = word

    @precondition(lambda self: self.port.outputs)
    @rule()
    def hold_on(self):
        """A busy host: keeps asking, so that only the other rules can switch off."""
        for _ in range(5):
            self.silence(40)
            self.ask(m.STATUS)

    @rule(ms=st.sampled_from([0, 1, 20, 99, 100, 301]))
    def silence(self, ms):
        """Time passes; the board's loop comes round."""
        end_us = self.port.us + ms * 1000
        while True:
            due = self.board.next_due_us()
            stop = min(end_us, self.port.us + TICK_US)
            if due is not None:
                stop = min(stop, max(due, self.port.us))
            self.port.us = stop
            self.outputs_obey_the_rules()
            due = self.board.next_due_us()
            assert due is None or due > self.port.us, "something due was left undone"
            if stop >= end_us:
                return

    @invariant()
    def outputs_obey_the_rules(self):
        if not hasattr(self, "port"):
            return
        self.tick()
        assert self.port.outputs == self.board.outputs
        if self.board.cause != m.CAUSE_NONE:
            assert not self.board.armed
        if not self.port.outputs:
            return
        assert self.board.armed
        assert self.greeted
        assert self.port.inputs == 3, "on with an interlock open"
        assert self.port.us - self.heard_us < self.limits.host_silent_ms * 1000, "on though the host is silent"
        if self.coil_since_us is not None:
            assert self.port.us - self.coil_since_us < self.limits.coil_limit_ms * 1000, "coil on beyond its time"
            recording = self.port.capture is not None and self.port.capture_recorded() < self.port.capture[3]
            if not (recording and self.port.capture[1] & 1):
                assert self.port.channels[0] < self.limits.over_current_raw, "coil on with over-current"

    def teardown(self):
        """Whatever went on: leave it alone and everything is off."""
        if hasattr(self, "port"):
            self.silence(0)
            self.port.us += m.SILENT_MAX_MS * 1000
            self.board.tick()
            assert self.port.outputs == 0


TestOutputs = pytest.mark.slow(Outputs.TestCase)
TestOutputs.settings = settings(max_examples=100, stateful_step_count=50, deadline=None)
