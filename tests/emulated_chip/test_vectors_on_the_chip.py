"""The golden vectors sent to the firmware on the emulated chip: bytes made by other people's COBS and CRC."""

import pytest

from firmware_protocol import messages as m
from firmware_protocol.frame import Decoder, encode
from tests.emulated_chip.chip import MS
from tests.emulated_chip.chip_client import UNPACK
from tests.firmware_protocol.vectors import VECTORS

pytestmark = pytest.mark.slow

LEFT_OUT = {
    "ARM before HELLO": "this board was greeted by the tests before",
    "a capture larger than the memory": "this board has more",
    "another capture while a switch is to come": "this board's answers take 5 ms, so no switch is to come any more",
    "a block beyond what is recorded": "the same: all is recorded",
}


def frames(client, wire, within_ms=100.0):
    """Frames that come for these bytes."""
    decoder, found = Decoder(), []
    client.chip.said()
    client.chip.hear(wire)
    client.chip.run_until(
        client.chip.now_ns + round(within_ms * MS),
        until=lambda: bool(found.extend(decoder.feed(client.chip.said())) or found),
    )
    return found


def test_every_golden_frame_is_taken_as_what_it_is(client):
    rejected = client.ask(m.ABOUT).rejected
    for vector in VECTORS["frames"]:
        seq, kind, body = vector["seq"], vector["kind"], bytes.fromhex(vector["body"])
        (greeted,) = frames(client, encode((seq - 1) % 256, m.HELLO, b""))
        assert greeted[1] == m.HELLO | m.ANSWER
        answers = frames(client, bytes.fromhex(vector["wire"]), within_ms=1000.0)
        assert [each[0] for each in answers] == [seq], vector["why"]
        _, answer, answer_body = answers[0]
        if answer == m.REFUSED:
            refused = m.unpack_refused(answer_body)
            known = kind in m.REQUEST_BYTES
            assert refused.request_kind == kind, vector["why"]
            assert (refused.code == m.UNKNOWN_KIND) == (not known), vector["why"]
        else:
            assert answer == kind | m.ANSWER, vector["why"]
            assert len(body) == m.REQUEST_BYTES[kind], vector["why"]
    client.greet()
    assert client.ask(m.ABOUT).rejected == rejected


@pytest.mark.parametrize("vector", VECTORS["streams"], ids=lambda vector: vector["why"])
def test_damaged_pieces_of_a_golden_stream_are_counted(client, vector):
    rejected = client.ask(m.ABOUT).rejected
    wire = bytes.fromhex(vector["wire"])
    frames(client, wire, within_ms=30.0)
    client.chip.run_for(30 * MS)
    client.greet()  # begins with a zero, which ends what was left
    assert client.ask(m.ABOUT).rejected == rejected + vector["rejected"]


def test_the_golden_dialogue_is_answered_alike_but_for_times_and_what_the_boards_differ_in(client):
    chip, compared = client.chip, 0
    client.ask(m.CLEAR)
    frames(client, encode(0, m.HELLO, b""))
    began_ns = chip.now_ns
    for step in VECTORS["dialogue"]:
        why = step["why"]
        if why in LEFT_OUT:
            continue
        chip.input("guard", closed=bool(step["inputs"] & m.GUARD_CLOSED))
        chip.input("estop", closed=bool(step["inputs"] & m.ESTOP_OK))
        chip.set_words(step["word"] >> 4, 0x400, 0x400, 0x400, 900)
        late_ns = 30 * MS if why in ("500 ms are not", "released when due") else 0  # what came before came later too
        chip.run_until(max(began_ns + step["at_us"] * 1000 + late_ns, chip.now_ns + 2 * MS))
        got = frames(client, bytes.fromhex(step["request"]), within_ms=60.0 if step["answer"] else 20.0)
        wanted = Decoder().feed(bytes.fromhex(step["answer"]))
        assert [(seq, kind) for seq, kind, _ in got] == [(seq, kind) for seq, kind, _ in wanted], why
        for (_, kind, body), (_, _, golden) in zip(got, wanted, strict=True):
            assert comparable(kind, body) == comparable(kind, golden), why
            compared += 1
        if "at once" not in why:  # off again by now
            assert chip.outputs == step["outputs"], why
    assert compared >= 38


def comparable(kind, body):
    """An answer's fields without times, and without what each board has of its own."""
    fields = UNPACK[kind if kind == m.REFUSED else kind & ~m.ANSWER](body)._asdict()
    own = {"board_ms", "cause_ms", "uptime_s", "identity", "build", "capture_words", "channels", "reference"}
    own |= {"recorded", "finished", "reset_reason", "free_bytes", "rejected", "unique", "firmware", "text"}
    for name in ("switched_us", "released_us"):
        if name in fields:
            fields[name] = fields[name] == m.NEVER
    return {name: value for name, value in fields.items() if name not in own}
