"""A port whose clock, pins and voltages the test sets by hand; records what the board did to it."""


class FakePort:
    """Ramp-free hardware: each channel reads what `channels` says, a capture records what `sample` gives."""

    def __init__(self, capture_words=4096, least_period_us=10):
        self.capture_words = capture_words
        self.least_period_us = least_period_us
        self.us = 0
        self.inputs = 3
        self.channels = [0x0100, 0x4000, 0x8000, 0x6000]
        self.outputs = 0xFF  # unknown until the board has driven them
        self.written = []  # (us, outputs), each write in order
        self.conversions = 0
        self.stuck_low = 0
        self.reference_word = 0x3700
        self.capture = None
        self.sample = lambda channel, index: self.channels[channel]

    def now_us(self):
        return self.us

    def write_outputs(self, mask):
        self.outputs = mask
        self.written.append((self.us, mask))
        return self.us

    def read_back(self):
        return self.outputs & ~self.stuck_low

    def reference(self):
        return self.reference_word, 0x3000, 0x3D00

    def free_bytes(self):
        return 123_456

    def read_inputs(self):
        return self.inputs

    def read_channel(self, index):
        self.conversions += 1
        return self.channels[index]

    def capture_start(self, channel_mask, period_us, samples):
        if period_us < self.least_period_us:
            raise ValueError("too fast")
        self.capture = (self.us, channel_mask, period_us, samples)
        return self.us

    def capture_recorded(self):
        if self.capture is None:
            return 0
        start_us, _, period_us, samples = self.capture
        return min(samples, (self.us - start_us) // period_us + 1)

    def capture_block(self, first, count):
        assert first + count <= self.capture_recorded()
        indices = [i for i in range(8) if self.capture[1] >> i & 1]
        words = [self.sample(channel, i) for i in range(first, first + count) for channel in indices]
        return b"".join([bytes((word & 255, word >> 8)) for word in words])

    def capture_stop(self):
        self.capture = None
