"""PROTOCOL.md is held to the code: numbers, bits, codes, sizes, offsets and the worked trace."""

import re

import pytest

from firmware_protocol import messages as m
from tests.firmware_protocol.make_trace import PAGE, in_page, trace
from tests.firmware_protocol.vectors import VECTORS

TEXT = PAGE.read_text(encoding="utf-8")
REQUESTS = [
    "HELLO",
    "STATUS",
    "ARM",
    "DISARM",
    "SET",
    "CLEAR",
    "READ",
    "CAPTURE",
    "PROGRESS",
    "BLOCK",
    "ABOUT",
    "SELF_TEST",
]


def tables(heading):
    """The tables between a heading and the next, each a list of rows of cells."""
    section = re.split(r"^#+ ", TEXT.split(heading + "\n", 1)[1], flags=re.M)[0]
    found = []
    for block in re.findall(r"(?:^\|.*\n)+", section, flags=re.M):
        rows = [[cell.strip() for cell in line.strip("|\n").split("|")] for line in block.splitlines()]
        found.append(rows[2:])
    return found


def test_the_sections_stand_in_their_order():
    assert [int(n) for n in re.findall(r"^## (\d+) ", TEXT, flags=re.M)] == list(range(1, 11))


def test_message_numbers_and_request_lengths_are_those_of_the_page():
    rows = tables("## 3 Messages")[0]
    assert {row[1]: int(row[0]) for row in rows} == {**{name: getattr(m, name) for name in REQUESTS}, "REFUSED": 255}
    assert {int(row[0]): int(row[2]) for row in rows[:-1]} == m.REQUEST_BYTES
    assert m.REFUSED == 255
    assert m.ANSWER == 0x80


def test_bits_and_channel_indices_are_those_of_the_page():
    _, outputs, inputs, channels = tables("## 3 Messages")
    assert [(name, getattr(m, name)) for _, name, _ in outputs] == [(name, int(bit, 16)) for bit, name, _ in outputs]
    assert [(name, getattr(m, name)) for _, name, _ in inputs] == [(name, int(bit, 16)) for bit, name, _ in inputs]
    assert [(name, getattr(m, name)) for _, name, _ in channels] == [(name, int(i)) for i, name, _ in channels]
    assert sum(int(bit, 16) for bit, _, _ in outputs) == m.ALL_OUTPUTS
    assert sum(int(bit, 16) for bit, _, _ in inputs) == m.ALL_INPUTS


def test_refusal_codes_are_those_of_the_page():
    rows = tables("### 3.9 REFUSED")[1]
    assert [(row[1], getattr(m, row[1])) for row in rows] == [(row[1], int(row[0])) for row in rows]
    assert [int(row[0]) for row in rows] == list(range(1, 17))


def test_how_far_behind_an_old_request_may_be_is_said_on_the_page():
    said = re.search(r"whose SEQ is 1 to (\d+) behind", TEXT)
    assert said is not None
    assert int(said[1]) == m.MOST_BEHIND


def test_the_largest_word_of_a_converter_is_as_the_page_says():
    said = re.search(r"(\d+) for 12 bits", TEXT)
    assert said is not None
    assert int(said[1]) == 65536 - 2 ** (16 - 12) == 0xFFF0


def test_causes_are_those_of_the_page():
    rows = tables("## 8 Interlocks and latched causes")[0]
    assert [(row[1], getattr(m, "CAUSE_" + row[1])) for row in rows] == [(row[1], int(row[0])) for row in rows]
    assert len(rows) == m.CAUSE_OVER_CURRENT + 1


@pytest.mark.parametrize(
    ("heading", "index", "names", "length"),
    [
        ("### 3.1 HELLO", 0, "Hello", 34),
        ("### 3.2 STATUS", 0, "Status", 13),
        ("### 3.3 ARM, DISARM", 0, "Arm", m.REQUEST_BYTES[m.ARM]),
        ("### 3.5 READ", 0, "Read", m.REQUEST_BYTES[m.READ]),
        ("### 3.6 CAPTURE", 0, "Capture", m.REQUEST_BYTES[m.CAPTURE]),
        ("### 3.7 PROGRESS", 0, "Progress", 18),
        ("### 3.8 BLOCK", 0, "BlockRequest", m.REQUEST_BYTES[m.BLOCK]),
        ("### 3.9 REFUSED", 0, "Refused", 6),
        ("### 3.10 ABOUT", 0, "About", m.ABOUT_LEAST),
        ("### 3.11 SELF_TEST", 0, "SelfTest", 8),
    ],
)
def test_each_table_is_without_gaps_as_long_as_the_body_and_names_the_fields(heading, index, names, length):
    at, found = 0, []
    for offset, size, name, *_ in tables(heading)[index]:
        assert int(re.match(r"\d+", offset).group()) == at
        at += int(size)
        found.append(name)
    assert at == length
    fields = list(getattr(m, names)._fields)
    if names == "Hello":
        fields = [*fields[:-1], "channel count", "quantity", "bits", "full_scale_mv"]
    if names == "About":
        fields = [*fields[:-1], "text length"]
    assert found == fields


def test_fixed_bounds_in_the_tables_are_those_that_the_code_checks():
    """Just inside is taken, just outside is refused, for every plain field of a request."""
    good = {
        "arm": dict(zip(m.Arm._fields, (500, 1000, 40_000), strict=True)),
        "read": dict(zip(m.Read._fields, (1, 1), strict=True)),
        "set": {"outputs": 0},
        "capture": dict(zip(m.Capture._fields, (0, 1, 20, 10, 1, 0, 5, 0), strict=True)),
        "block_request": dict(zip(m.BlockRequest._fields, (0, 0, 1), strict=True)),
    }
    pack = {
        "arm": lambda **f: m.pack_arm(**f),
        "read": lambda **f: m.pack_read(**f),
        "set": lambda **f: m.pack_set(**f),
        "capture": lambda **f: m.pack_capture(m.Capture(**f)),
        "block_request": lambda **f: m.pack_block_request(**f),
    }
    where = {"arm": "### 3.3 ARM, DISARM", "read": "### 3.5 READ", "set": "### 3.4 SET, CLEAR"}
    where.update({"capture": "### 3.6 CAPTURE", "block_request": "### 3.8 BLOCK"})
    checked = 0
    for message, heading in where.items():
        for _, _, name, bounds, _ in tables(heading)[0]:
            plain = re.fullmatch(r"(\d+)\.\.(\d+)", bounds)
            if plain is None:
                continue
            low, high = int(plain.group(1)), int(plain.group(2))
            for value in (low, high):
                pack[message](**{**good[message], name: value})
            for value in (low - 1, high + 1):
                with pytest.raises(m.FieldError, match=name):
                    pack[message](**{**good[message], name: value})
            checked += 1
    assert checked == 14


def test_hello_announces_the_limits_of_the_page():
    hello = m.unpack_hello(bytes.fromhex(VECTORS["bodies"][0]["body"]))
    words = {row[2]: row[4] for row in tables("### 3.1 HELLO")[0]}
    assert words["outputs"].endswith(f"0x{hello.outputs:02X}")
    for name in ("max_body", "silent_min_ms", "silent_max_ms", "coil_max_ms"):
        assert words[name].endswith(str(getattr(hello, name)))
    assert TEXT.startswith(f"# The protocol between host and board, version {m.MAJOR}.{m.MINOR}\n")


def test_the_worked_trace_is_what_the_code_says():
    begin, end = in_page(TEXT)
    assert TEXT[begin:end] == trace()
