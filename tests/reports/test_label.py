"""The label fits its size and its code leads back to the record."""

from __future__ import annotations

import re
from urllib.parse import unquote

import pytest

from benchrig.records.label_code import label_code, read_label_code
from benchrig.reports.label import label_html
from tests.reports.sample_record import KINDS, sample


def test_the_code_says_run_tag_verdict_and_digest() -> None:
    record = sample("reject")
    assert label_code(record) == f"BR2:0042:C-1042:reject:{record.digest[:10]}:0"
    assert label_code(sample("aborted")).split(":")[3] == "aborted"


@pytest.mark.parametrize("tag", ["a:b:c", "100 %", "日本", 'it\'s / \\ "x"'])
def test_a_tag_in_the_code_never_breaks_its_fields(tag: str) -> None:
    fields = label_code(sample("aborted", tag=tag)).split(":")
    assert len(fields) == 6
    assert unquote(fields[2]) == tag
    read = read_label_code(label_code(sample("aborted", tag=tag)))
    assert read is not None
    assert (read.run, read.tag, read.verdict) == ("0042", tag, "aborted")


def test_a_tag_too_long_for_the_code_is_named_by_its_digest() -> None:
    one, other = (label_code(sample("aborted", tag=tag * 300)).split(":")[2] for tag in "xy")
    assert re.fullmatch(r"~[0-9a-f]{10}", one)
    assert one != other
    read = read_label_code(label_code(sample("aborted", tag="x" * 300)))
    assert read is not None
    assert read.means_tag("x" * 300)
    assert not read.means_tag("y" * 300)


@pytest.mark.parametrize("kind", KINDS)
def test_the_label_is_the_same_every_time_and_shows_tag_verdict_and_model(kind: str) -> None:
    record = sample(kind)
    label = label_html(record)
    assert label == label_html(record)
    assert "size: 62mm 29mm" in label
    for text in ("C-1042", "alder-24", "run 0042", "2026-11-25", "simulated, not a real part"):
        assert text in label
    assert ("Aborted: no verdict" if kind == "aborted" else kind.capitalize()) in label


def test_the_code_on_the_label_holds_that_text() -> None:
    import segno

    record = sample("accept")
    expected = segno.make(label_code(record), error="m", micro=False)
    path = re.search(r'aria-label="Code for a scanner: ([^"]*)">(<svg .*?</svg>)', label_html(record), re.DOTALL)
    assert path is not None
    # Four white squares all round (ISO/IEC 18004), four whole dots of a printer of 203 to the inch to a square.
    assert path.group(2) == expected.svg_inline(border=4, omitsize=True, lineclass=None)
    assert path.group(1) == label_code(record)
    width_mm = re.search(r"grid-template-columns: 1fr ([0-9.]+)mm", label_html(record))
    assert width_mm is not None
    assert float(width_mm.group(1)) == pytest.approx(expected.symbol_size(border=4)[0] * 4 * 25.4 / 203, abs=0.001)


@pytest.mark.parametrize(
    ("kind", "do", "cause"),
    [
        ("accept", "Return it to the customer", None),
        ("reject", "Refund it", "stuck closed, 94 %"),
        ("undecided", "Clean it and test it again", "seat leak, 71 %"),
        ("aborted", "Test it again", None),
    ],
)
def test_the_label_says_what_to_do_and_why(kind: str, do: str, cause: str | None) -> None:
    label = label_html(sample(kind))
    assert f'<div class="do">{do}</div>' in label
    assert ('<div class="cause">' in label) is (cause is not None)
    assert cause is None or f'<div class="cause">{cause}</div>' in label
