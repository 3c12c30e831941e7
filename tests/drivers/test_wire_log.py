"""The wire log is written as PROTOCOL.md writes its worked trace."""

import io
import re
from pathlib import Path

from benchrig.drivers.wire_log import WireLog
from firmware_protocol import messages

PAGE = Path(messages.__file__).with_name("PROTOCOL.md")
LINE = re.compile(r"^ +(\d+\.\d{6}) ([<>]) ([0-9a-f]{2}) ([A-Z]+) *([0-9a-f]*)$", re.MULTILINE)


def test_the_frames_of_the_worked_trace_are_logged_as_the_page_shows_them():
    shown = list(LINE.finditer(PAGE.read_text(encoding="utf-8")))
    assert len(shown) > 10
    file = io.StringIO()
    log = WireLog(file)
    for line in shown:
        at_s, direction, seq, name, body = line.groups()
        kind = getattr(messages, name)
        if direction == "<" and name != "REFUSED":
            kind |= messages.ANSWER
        log.frame(float(at_s), direction, int(seq, 16), kind, bytes.fromhex(body))
    assert file.getvalue().splitlines() == [line.group(0) for line in shown]


def test_a_message_that_nobody_knows_is_logged_by_its_number():
    file = io.StringIO()
    WireLog(file).frame(1.0, "<", 3, 0xC5, b"\x01")
    assert file.getvalue().split() == ["1.000000", "<", "03", "kind", "c5", "01"]
