"""Bodies: golden vectors both ways, bounds on both sides, typed and plain tuples alike."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firmware_protocol import frame, typed
from firmware_protocol import messages as m
from tests.firmware_protocol.bodies import BODIES
from tests.firmware_protocol.vectors import VECTORS, named


@pytest.mark.parametrize("vector", VECTORS["bodies"], ids=named(VECTORS["bodies"], "message"))
def test_bodies_agree_with_the_vectors_both_ways(vector):
    make, pack, unpack = BODIES[vector["message"]]
    value, body = make(vector["fields"]), bytes.fromhex(vector["body"])
    assert pack(value) == body
    assert unpack(body) == value


@pytest.mark.parametrize("vector", VECTORS["bad_bodies"], ids=named(VECTORS["bad_bodies"], "message"))
def test_a_body_out_of_bounds_is_refused_with_the_offset_of_the_field(vector):
    with pytest.raises(m.FieldError) as caught:
        BODIES[vector["message"]][2](bytes.fromhex(vector["body"]))
    assert caught.value.offset == vector["offset"]


def test_every_message_has_good_and_bad_vectors():
    assert {vector["message"] for vector in VECTORS["bodies"]} == set(BODIES)
    assert {vector["message"] for vector in VECTORS["bad_bodies"]} == set(BODIES)


@pytest.mark.parametrize(
    ("pack", "bad"),
    [
        (lambda: m.pack_set(0x40), "outputs 64"),
        (lambda: m.pack_set(-1), "outputs -1"),
        (lambda: m.pack_arm(65_536 + 500, 1000, 1), "host_silent_ms 66036"),
        (lambda: m.pack_arm(500, 2**32 + 1000, 1), "coil_limit_ms"),
        (lambda: m.pack_arm(500, 1000, 65_536), "over_current_raw 65536"),
        (lambda: m.pack_read(0x100, 1), "channel_mask 256"),
        (lambda: m.pack_read(1, 65_537), "samples 65537"),
        (lambda: m.pack_reading(m.Reading(1, ())), "channel count 0"),
        (lambda: m.pack_reading(m.Reading(1, (65_536,))), "sum 65536"),
        (lambda: m.pack_capture(m.Capture(256, 1, 20, 10, m.NEVER, 0, m.NEVER, 0)), "capture_id 256"),
        (lambda: m.pack_capture(m.Capture(1, 1, 20, 10, 10, 0, m.NEVER, 0)), "switch_at 10, 0 to 9"),
        (lambda: m.pack_block_request(1, 2**32, 1), "first 4294967296"),
        (lambda: m.pack_block(m.Block(1, 0, 509, 1, bytes(1018))), "count 509, 1 to 508"),
        (lambda: m.pack_block(m.Block(1, 0, 255, 2, bytes(1020))), "count 255, 1 to 254"),
        (lambda: m.pack_block(m.Block(1, 0, 2, 1, bytes(3))), "data length 3"),
        (lambda: m.pack_status(m.Status(2**32, 0, 0, False, False, 0, 0)), "board_ms"),
        (lambda: m.pack_status(m.Status(0, 0, 0, False, False, 6, 0)), "cause 6"),
        (lambda: m.pack_progress(m.Progress(1, 5, 4, True, 0, 0)), "recorded 5, 0 to 4"),
        (lambda: m.pack_refused(m.Refused(1, 0, 0)), "code 0"),
    ],
)
def test_a_number_that_does_not_fit_is_never_cut_but_refused(pack, bad):
    with pytest.raises(m.FieldError, match=bad):
        pack()


@pytest.mark.parametrize("unpack", [unpack for _, _, unpack in BODIES.values()], ids=list(BODIES))
def test_unpacking_any_bytes_gives_a_value_that_packs_to_the_same_bytes_or_a_field_error(unpack):
    pack = next(pack for _, pack, other in BODIES.values() if other is unpack)

    @given(st.binary(max_size=48))
    def check(body):
        try:
            value = unpack(body)
        except m.FieldError:
            return
        assert pack(value) == body

    check()


@pytest.mark.parametrize("name", [name for name in typed.__all__ if name != "Port"])
def test_the_tuples_of_the_type_checker_have_the_fields_of_those_of_the_board(name):
    assert getattr(typed, name)._fields == getattr(m, name)._fields


def test_the_largest_block_fills_the_longest_body():
    assert m.BLOCK_HEADER + m.MAX_BLOCK_BYTES == frame.MAX_BODY


def test_request_lengths_are_those_of_the_packed_bodies():
    packed = {
        m.ARM: m.pack_arm(100, 1, 1),
        m.SET: m.pack_set(0),
        m.READ: m.pack_read(1, 1),
        m.CAPTURE: m.pack_capture(m.Capture(0, 1, 20, 1, m.NEVER, 0, m.NEVER, 0)),
        m.BLOCK: m.pack_block_request(0, 0, 1),
    }
    assert {kind: len(packed.get(kind, b"")) for kind in m.REQUEST_BYTES} == m.REQUEST_BYTES
