"""The page is whole in itself, the same every time, and shows what the record holds: no more, no less."""

from __future__ import annotations

import dataclasses
import re
import subprocess
import sys
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest

from benchrig.analysis.characteristics import title_of
from benchrig.bench.traceability import TraceabilityItem
from benchrig.records import RunRecord
from benchrig.reports.label import label_html
from benchrig.reports.page import page_html
from benchrig.reports.page_files import page_path, write_label, write_page, write_text
from tests.reports.sample_record import KINDS, sample, without_step

VOID = {"meta", "link", "img", "br", "hr", "input"}
ODD = "A/../\"q\" 'p' <script>alert(1)</script> &amp; {{ 7 * 7 }} Ωмега 日本語"


class Outline(HTMLParser):
    """Tags, attributes and visible text of a document; complains where tags do not match."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.words: list[str] = []
        self._open: list[str] = []
        self.feed(text)
        self.close()
        assert self._open == [], f"left open: {self._open}"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self._open, f"</{tag}> closes nothing"
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1] not in {"style", "title"}:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def pages() -> dict[str, str]:
    return {kind: page_html(sample(kind)) for kind in KINDS}


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_record_makes_the_same_bytes(kind: str, pages: dict[str, str]) -> None:
    assert page_html(sample(kind)) == pages[kind]


@pytest.mark.slow
def test_another_process_makes_the_same_bytes(pages: dict[str, str]) -> None:
    program = (
        "import sys; from benchrig.reports.page import page_html; from tests.reports.sample_record import sample; "
        "sys.stdout.buffer.write(page_html(sample('reject')).encode())"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, check=True, cwd=Path(__file__).parents[2]
    )
    assert done.stdout.decode() == pages["reject"]


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_is_fetched_and_nothing_runs(kind: str, pages: dict[str, str]) -> None:
    page = pages[kind]
    outline = Outline(page)
    assert not {"script", "link", "img", "iframe", "object", "embed", "use:external"} & set(outline.tags)
    assert not [name for _, name, _ in outline.attributes if name.startswith("on")]
    pointing = [value for _, name, value in outline.attributes if name in {"href", "xlink:href", "src", "action"}]
    assert all(value.startswith("#") for value in pointing)
    assert "@import" not in page
    assert all(target.startswith("#") for target in re.findall(r"url\(([^)]*)\)", page))
    namespaces = {value for _, name, value in outline.attributes if name.startswith("xmlns")}
    without = page
    for namespace in namespaces:
        without = without.replace(namespace, "")
    assert "http:" not in without
    assert "https:" not in without


@pytest.mark.parametrize("kind", KINDS)
def test_names_inside_the_page_are_unique_and_lead_somewhere(kind: str, pages: dict[str, str]) -> None:
    outline = Outline(pages[kind])
    names = [value for _, name, value in outline.attributes if name == "id"]
    assert len(names) == len(set(names))
    used = {value.removeprefix("#") for _, name, value in outline.attributes if name == "xlink:href"}
    assert used <= set(names)


@pytest.mark.parametrize("kind", KINDS)
def test_every_characteristic_is_in_the_table(kind: str, pages: dict[str, str]) -> None:
    record = sample(kind)
    text = Outline(pages[kind]).text
    for each in record.characteristics:
        assert title_of(each.name) in text
        assert each.how.replace("degC", "°C") in text
    assert "24.61 ± 0.11 Ω" in text
    assert "22 to 27 Ω" in text


@pytest.mark.parametrize(
    ("kind", "sentence", "word"),
    [
        ("accept", "This valve passed: it goes back to the customer.", "Accept."),
        ("reject", "This valve is faulty: refund it.", "Reject."),
        ("undecided", "The test cannot decide yet: clean it and test it again.", "Undecided."),
        ("aborted", "The test stopped early: test it again.", "Aborted: no verdict."),
    ],
)
def test_a_plain_sentence_on_what_to_do_leads_and_the_verdict_follows(
    kind: str, sentence: str, word: str, pages: dict[str, str]
) -> None:
    assert f"<h1>{sentence}</h1>" in pages[kind]
    assert pages[kind].index(sentence) < pages[kind].index(f'<span class="word">{word}</span>')
    assert f'<body class="{kind}">' in pages[kind]


def test_each_verdict_has_a_shape_of_its_own(pages: dict[str, str]) -> None:
    shapes = {kind: re.search(r'<svg class="shape".*?</svg>', page, re.DOTALL) for kind, page in pages.items()}
    assert all(shapes.values())
    assert len({shape.group() for shape in shapes.values() if shape is not None}) == len(KINDS)


def test_a_rejected_valve_shows_cause_reason_and_what_to_do(pages: dict[str, str]) -> None:
    text = Outline(pages["reject"]).text
    assert "Likely cause" in text
    assert "stuck closed 94 %" in text
    assert "no motion in 10 pulses" in text
    assert "Refund it" in text
    assert "above 120.00 ms" in text
    assert "did not move in any of 10 pulses" in text


def test_an_accepted_valve_shows_no_cause(pages: dict[str, str]) -> None:
    text = Outline(pages["accept"]).text
    assert "ikely cause" not in text
    assert "Return it to the customer" in text


def test_an_aborted_run_shows_no_verdict_but_error_hint_and_bench(pages: dict[str, str]) -> None:
    text = Outline(pages["aborted"]).text
    assert not re.search(r"\b(accept|reject|undecided|pass|fail)(ed|s)?\b", text, re.IGNORECASE)
    assert "The board switched everything off: guard opened." in text
    assert "Close the guard" in text
    assert "all outputs off, pump stopped, vent open" in text
    assert "neither good nor bad" in text
    assert text.count("not judged") == 2 + 1  # two rows and the sentence below


def test_who_when_where_and_with_what_are_told(pages: dict[str, str]) -> None:
    record = sample("accept")
    text = Outline(pages["accept"]).text
    for fact in (
        record.intake.operator,
        record.intake.complaint,
        record.intake.findings,
        record.bench.board,
        record.bench.meter,
        record.bench.workshop,
        "reservoir volume 0.5000 ± 0.0050 L",
        "benchrig 0.1.0",
        record.digest,
    ):
        assert fact in text, fact


def test_the_time_is_local_on_the_page(monkeypatch: pytest.MonkeyPatch) -> None:
    import time

    try:
        monkeypatch.setenv("TZ", "UTC+11")
        time.tzset()
        text = Outline(page_html(without_step(sample("aborted"), "hold"))).text
    finally:
        monkeypatch.undo()
        time.tzset()
    assert "24 November 2026, 22:30 UTC (UTC-11:00)" in text


def test_a_simulated_run_says_so_at_the_top(pages: dict[str, str]) -> None:
    assert "Simulated bench: no valve was tested." in Outline(pages["accept"]).text
    record = sample("accept")
    bench = dataclasses.replace(record.bench, simulated=False)
    fictional = dataclasses.replace(record, bench=bench, steps=())
    assert "Fictional valve model" in Outline(page_html(fictional)).text
    real = dataclasses.replace(fictional, model=dataclasses.replace(record.model, fictional=False))
    text = Outline(page_html(real)).text
    assert "Simulated" not in text
    assert "Fictional valve model" not in text


@pytest.mark.parametrize("make", [page_html, label_html])
def test_typed_text_is_data(make: Callable[[RunRecord], str]) -> None:
    record = without_step(
        without_step(
            without_step(sample("reject", tag=ODD, complaint=ODD, findings=ODD, operator=ODD), "hold"), "flow"
        ),
        "clicks",
    )
    outline = Outline(make(record))
    assert "script" not in outline.tags
    assert ODD in outline.text
    assert (
        outline.tags
        == Outline(
            make(
                without_step(without_step(without_step(sample("reject", tag="T" * len(ODD)), "hold"), "flow"), "clicks")
            )
        ).tags
    )


def test_characters_that_cannot_be_seen_are_shown_as_a_sign() -> None:
    record = without_step(sample("aborted", tag="A\u202eB", complaint="one\x07two\nthree"), "hold")
    page = page_html(record)
    assert "\u202e" not in page
    assert "\x07" not in page
    assert "A\ufffdB" in page
    assert "one\ufffdtwo three" in page


@pytest.mark.parametrize("length", [1, 24, 300])
def test_a_long_tag_is_shown_whole_on_the_page(length: int) -> None:
    tag = "x" * length
    assert tag in Outline(page_html(without_step(sample("aborted", tag=tag), "hold"))).text


@pytest.mark.parametrize("step", ["ready", "coil", "hold", "flow", "clicks"])
def test_a_page_can_be_made_of_any_part_of_a_run(step: str, pages: dict[str, str]) -> None:
    text = Outline(page_html(without_step(sample("undecided"), step))).text
    assert "Undecided" in text
    titles = {"hold": "Hold vacuum Behind the", "flow": "Open flow The valve", "clicks": "Clicks Coil current"}
    for name, title in titles.items():
        assert (title in text) is (name != step)


def test_a_run_that_is_still_going_on_has_a_page_without_a_verdict() -> None:
    record = dataclasses.replace(
        sample("aborted"), ending="running", error="", hint="", bench_state="", ended=None, bench_seconds=None, steps=()
    )
    page = page_html(record)
    assert "<h1>The test has not ended yet.</h1>" in page
    assert "No step came to its end." in page


def test_a_page_is_named_after_the_run_alone(tmp_path: Path) -> None:
    record = without_step(sample("aborted", tag="../../etc/passwd"), "hold")
    folder = tmp_path / "new" / "pages"
    assert page_path(record, folder) == folder / "run-0042.html"
    assert write_page(record, folder, page_html(record)) == folder / "run-0042.html"
    assert write_label(record, folder, label_html(record)) == folder / "run-0042-label.html"
    assert sorted(path.name for path in folder.iterdir()) == ["run-0042-label.html", "run-0042.html"]
    assert (folder / "run-0042.html").read_text(encoding="utf-8") == page_html(record)


def test_a_page_that_cannot_be_written_leaves_the_old_one(tmp_path: Path) -> None:
    path = write_text(tmp_path / "run-0001.html", "old")
    (tmp_path / "run-0001.html.part").mkdir()
    with pytest.raises(OSError, match="directory"):
        write_text(path, "new")
    assert path.read_text() == "old"


def test_a_retest_shows_before_and_after() -> None:
    text = Outline(page_html(sample("accept"), sample("reject", run="0041"))).text
    assert "Tested before" in text
    assert "Run 0041, 2026-11-25: Reject: stuck closed." in text
    assert "Changed since run 0041" in text
    assert "Pull-in time above 120.00 ms fail 8.82 ± 0.22 ms pass" in text
    same = Outline(page_html(sample("accept"), sample("accept", run="0041"))).text
    assert "No outcome has changed." in same
    assert "Tested before" not in Outline(page_html(sample("accept"))).text


@pytest.mark.parametrize("kind", KINDS)
def test_units_are_printed_with_their_signs(kind: str, pages: dict[str, str]) -> None:
    text = Outline(pages[kind]).text
    assert "degC" not in text
    assert not re.search(r"\bohm\b", text)
    assert "22.1 °C" in text


@pytest.mark.parametrize("kind", KINDS)
def test_tables_have_captions_and_scopes_and_strips_have_words(kind: str, pages: dict[str, str]) -> None:
    outline = Outline(pages[kind])
    assert outline.tags.count("caption") == outline.tags.count("table")
    scopes = [value for tag, name, value in outline.attributes if (tag, name) == ("th", "scope")]
    assert len(scopes) == outline.tags.count("th")
    assert {"row", "col"} <= set(scopes)
    strips = re.findall(r'<svg class="strip"[^>]*>', pages[kind])
    assert strips
    assert all('role="img" aria-label="' in strip for strip in strips)
    assert 'aria-label="24.61 ± 0.11 Ω, allowed 22 to 27 Ω: ' in pages[kind]


def test_address_and_a_line_to_sign_on_are_there(pages: dict[str, str]) -> None:
    record = sample("accept")
    bench = dataclasses.replace(record.bench, address="Unit 4, <Foxglove> Lane (fictional)")
    page = page_html(dataclasses.replace(record, bench=bench))
    assert page.count("Unit 4, &lt;Foxglove&gt; Lane (fictional)") == 2  # on each sheet
    assert "Signature" in Outline(pages["accept"]).text


def test_what_the_bench_file_does_without_is_a_sentence() -> None:
    record = sample("accept")
    bench = dataclasses.replace(record.bench, remarks=("the bench file asks for no bench check",))
    text = Outline(page_html(dataclasses.replace(record, bench=bench))).text
    assert "The bench file asks for no bench check." in text
    assert "no more" not in text


def test_instants_in_the_bench_facts_are_local(monkeypatch: pytest.MonkeyPatch) -> None:
    import time

    record = sample("accept")
    ground = TraceabilityItem("check", 7, "check-0007 of 2026-11-25 07:58 UTC, passed (R. Counter)")
    try:
        monkeypatch.setenv("TZ", "XYZ-02")
        time.tzset()
        bench = dataclasses.replace(record.bench, grounds=(ground,))
        text = Outline(page_html(dataclasses.replace(record, bench=bench))).text
    finally:
        monkeypatch.undo()
        time.tzset()
    assert "check-0007 of 2026-11-25 09:58 XYZ, passed" in text
    assert "2026, 11:30 XYZ (UTC+02:00)" in text


def test_a_reason_that_many_rows_share_is_told_once_on_the_back(pages: dict[str, str]) -> None:
    text = Outline(pages["reject"]).text
    assert text.count("he armature did not move in any of 10 pulses") == 1
    assert text.index("digest of the record") > text.index("did not move in any") > text.index("sheet 2 of 2")


def test_a_compiled_template_that_is_damaged_is_made_anew(tmp_path, monkeypatch):
    """As after a power cut: half a file beside the compiled modules."""
    from benchrig.reports import template_loading

    monkeypatch.setattr(template_loading, "cache_from_source", lambda _: str(tmp_path / "x.pyc"))
    monkeypatch.setattr("sys.dont_write_bytecode", False)
    made = template_loading.environment.__wrapped__().get_template("label.html")
    (compiled,) = tmp_path.glob("*.cache")
    whole = compiled.read_bytes()
    compiled.write_bytes(whole[: len(whole) // 2])
    assert template_loading.environment.__wrapped__().get_template("label.html").name == made.name
    assert compiled.read_bytes() == whole
    compiled.write_bytes(whole[:30])
    template_loading.environment.__wrapped__().get_template("label.html")
    assert compiled.read_bytes() == whole


def test_where_nothing_may_be_written_templates_are_compiled_each_time(tmp_path, monkeypatch):
    from benchrig.reports import template_loading

    monkeypatch.setattr(template_loading, "cache_from_source", lambda _: str(tmp_path / "not there" / "x.pyc"))
    monkeypatch.setattr("sys.dont_write_bytecode", False)
    assert template_loading.environment.__wrapped__().get_template("label.html").name == "label.html"
    assert list(tmp_path.iterdir()) == []
