"""Frames: golden vectors, damage, any cut of the stream, bounded memory."""

import binascii

import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from firmware_protocol.frame import MAX_BODY, MAX_ENCODED, Decoder, encode, stuff, unstuff
from tests.firmware_protocol.make_vectors import build
from tests.firmware_protocol.vectors import VECTORS, named

frames = st.tuples(st.integers(0, 255), st.integers(0, 255), st.binary(max_size=300))


def test_the_vector_file_is_what_its_script_makes():
    from tests.firmware_protocol.make_vectors import FILE

    assert FILE.read_text(encoding="utf-8") == build()


def test_the_crc_has_the_published_check_value():
    # CRC-32/ISO-HDLC over "123456789", catalogue of parametrised CRC algorithms.
    check = VECTORS["crc_check"]
    assert binascii.crc32(bytes.fromhex(check["data"])) == int(check["crc"], 16) == 0xCBF43926


@pytest.mark.parametrize("vector", VECTORS["cobs"], ids=named(VECTORS["cobs"]))
def test_stuffing_agrees_with_the_vectors_both_ways(vector):
    plain, stuffed = bytes.fromhex(vector["plain"]), bytes.fromhex(vector["stuffed"])
    assert stuff(plain) == stuffed
    assert unstuff(stuffed) == plain


@given(st.lists(st.one_of(st.just(b"\0"), st.binary(max_size=4), st.integers(250, 258).map(lambda n: b"\x42" * n))))
def test_stuffing_agrees_with_the_cobs_package_around_block_ends(pieces):
    plain = b"".join(pieces)
    assert stuff(plain) == cobs.encode(plain)
    assert unstuff(stuff(plain)) == plain


@given(st.binary(min_size=1).filter(lambda data: 0 not in data))
def test_unstuffing_refuses_exactly_what_the_cobs_package_refuses(data):
    try:
        expected = cobs.decode(data)
    except cobs.DecodeError:
        expected = None
    assert unstuff(data) == expected


@pytest.mark.parametrize("vector", VECTORS["frames"], ids=named(VECTORS["frames"]))
def test_frames_agree_with_the_vectors_both_ways(vector):
    wire, body = bytes.fromhex(vector["wire"]), bytes.fromhex(vector["body"])
    assert encode(vector["seq"], vector["kind"], body) == wire
    assert Decoder().feed(wire) == [(vector["seq"], vector["kind"], body)]


@pytest.mark.parametrize("vector", VECTORS["streams"], ids=named(VECTORS["streams"]))
@pytest.mark.parametrize("chunk", [1, 7, 100_000])
def test_streams_give_the_frames_of_the_vectors_in_any_chunks(vector, chunk):
    wire = bytes.fromhex(vector["wire"])
    decoder, got = Decoder(), []
    for at in range(0, len(wire), chunk):
        got += decoder.feed(wire[at : at + chunk])
    assert [[seq, kind, body.hex()] for seq, kind, body in got] == vector["frames"]
    assert decoder.rejected == vector["rejected"]


@given(st.lists(frames, max_size=5), st.data())
def test_any_split_of_the_bytes_gives_the_same_frames(sent, data):
    wire = b"".join(encode(*frame) for frame in sent)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(wire)), max_size=6)))
    decoder, got = Decoder(), []
    for a, b in zip([0, *cuts], [*cuts, len(wire)], strict=True):
        got += decoder.feed(wire[a:b])
    assert (got, decoder.rejected) == (sent, 0)


@given(st.lists(st.one_of(st.binary(max_size=60), st.just(b"\x11" * 700), frames.map(lambda f: encode(*f)))), st.data())
def test_any_split_of_damaged_bytes_gives_the_same_frames_and_rejects(pieces, data):
    wire = b"".join(pieces)
    whole = Decoder()
    expected = whole.feed(wire)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(wire)), max_size=6)))
    decoder, got = Decoder(), []
    for a, b in zip([0, *cuts], [*cuts, len(wire)], strict=True):
        got += decoder.feed(wire[a:b])
    assert (got, decoder.rejected) == (expected, whole.rejected)


@given(st.binary(max_size=3000), frames)
def test_a_good_frame_gets_through_after_any_garbage(garbage, frame):
    decoder = Decoder()
    decoder.feed(garbage)
    assert decoder.feed(b"\0" + encode(*frame))[-1] == frame


@given(frames, st.data())
def test_a_frame_with_one_bit_changed_is_never_taken_for_a_frame(frame, data):
    wire = bytearray(encode(*frame))
    wire[data.draw(st.integers(0, len(wire) - 2))] ^= 1 << data.draw(st.integers(0, 7))
    decoder = Decoder()
    # The CRC is made for this: all single-bit errors of the plain bytes are found. A changed COBS length moves zeros
    # about, which is more than one bit, and is found all but surely.
    assert decoder.feed(bytes(wire)) == []


@given(st.lists(st.binary(max_size=2000)))
def test_the_decoder_never_holds_more_than_the_longest_frame(chunks):
    decoder = Decoder()
    for chunk in chunks:
        decoder.feed(chunk.replace(b"\0", b"\1"))
        assert len(decoder._held) <= MAX_ENCODED


def test_the_longest_frame_has_the_length_that_the_page_promises():
    assert MAX_ENCODED == 1035
    assert max(len(encode(1, 138, bytes([value]) * MAX_BODY)) for value in (0, 1, 255)) == MAX_ENCODED + 1


@pytest.mark.parametrize(("seq", "kind", "length"), [(-1, 1, 0), (256, 1, 0), (1, -1, 0), (1, 256, 0), (1, 1, 1025)])
def test_encode_refuses_what_does_not_fit(seq, kind, length):
    with pytest.raises(ValueError, match="allowed"):
        encode(seq, kind, bytes(length))
