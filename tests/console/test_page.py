"""The page in a browser: the whole flow by keyboard, stops, reloads, hostile tags, watchers, accessibility."""

from __future__ import annotations

import pytest

from benchrig.application.paths import store_path
from benchrig.records import Store
from tests.cli.test_real_ports import simulate
from tests.console.operating import CLOCK, begin, enter, pause, scan, sign_in, stage, to_fit, to_verdict
from tests.console.running import console

pytestmark = pytest.mark.slow
REAL_TIME = ("--simulated",)
HOSTILE = "<script>document.title='taken'</script>'; DROP TABLE runs; --"


@pytest.mark.parametrize(
    ("condition", "verdict", "cause", "asked"),
    [
        ("good", "Accept", "none", 0),
        ("seat-leak", "Reject", "seat leak", 1),
        ("wet", "Undecided", "wet", 1),  # the short hold of these tests leaves a doubt about the bench
        ("open-coil", "Reject", "open coil", 0),
    ],
)
def test_the_whole_flow_over_real_ports(tmp_path, tab, condition, verdict, cause, asked):
    with simulate(tmp_path, "--simulated", condition), console("--bench", str(tmp_path / "bench.toml")) as running:
        page = tab(running.address)
        sign_in(page)
        begin(page, "C-1042")
        questions = to_verdict(page)
        assert page.inner_text("#verdict-word") == verdict, page.inner_text("main")
        assert page.inner_text("#fact-cause").startswith(cause)
        assert len(questions) == asked
        assert points(page) > 10
        with page.context.expect_page() as printed:
            page.click("#print-page")
        assert "C-1042" in printed.value.inner_text("body")
        enter_next(page)
        stage(page, "tag")
    assert Store(store_path()).run("run:0001").verdict == verdict.lower()


def enter_next(page) -> None:
    page.focus("input[name=next]")
    enter(page)


def once(page, there, longest_s: float = 30.0) -> None:
    """Wait until something is so; the page's policy lets no text be run in it."""
    until_s = CLOCK.now() + longest_s
    while not there():
        assert CLOCK.now() < until_s, page.inner_text("main")
        pause(0.05)


def vacuum_kpa(page) -> float:
    reading = page.inner_text("#reading")
    return float(reading.split()[0]) if reading.endswith("kPa vacuum") else 0.0


def points(page) -> int:
    return int(page.get_attribute("#vacuum-curve", "data-points") or 0)


MOMENTS = {
    "at once": lambda page: None,
    "while it is made ready": lambda page: page.wait_for_selector("#did li"),
    "while the pump draws": lambda page: once(page, lambda: vacuum_kpa(page) > 20),
    "while it holds": lambda page: once(page, lambda: vacuum_kpa(page) > 59),
    "while it asks": lambda page: page.wait_for_selector("#ask:not([hidden])", timeout=60_000),
}


@pytest.mark.parametrize("moment", MOMENTS)
def test_escape_stops_at_any_moment(tab, moment):
    with console(*REAL_TIME) as running:
        page = tab(running.address)
        sign_in(page)
        begin(page, condition="seat-leak")
        MOMENTS[moment](page)
        pressed_s = CLOCK.now()
        page.keyboard.press("Escape")
        page.wait_for_selector("#verdict:not([hidden])")
        assert page.inner_text("#verdict-word") == "Stopped"
        assert CLOCK.now() - pressed_s < 5.0
        runs = Store(store_path()).runs()
        assert [run.ending for run in runs] in (["aborted"], [])


def test_stop_is_on_the_screen_at_every_stage_and_does_no_harm_at_rest(tab):
    with console() as running:
        page = tab(running.address)
        stage(page, "who")
        page.keyboard.press("Escape")
        assert page.is_visible("#stop")
        sign_in(page)
        to_fit(page, "C-1042")
        page.click("#stop")
        assert page.is_visible("#fit")
        assert running.joined()["state"]["phase"] == "idle"


def test_a_reloaded_page_rejoins_and_a_browser_that_vanishes_disturbs_nothing(tab):
    with console(*REAL_TIME) as running:
        page = tab(running.address)
        sign_in(page)
        begin(page, condition="good")
        MOMENTS["while the pump draws"](page)
        before = points(page)
        page.reload()
        page.wait_for_selector("#live:not([hidden])")
        once(page, lambda: points(page) >= before > 5)
        other = tab(running.address)
        other.wait_for_selector("#live:not([hidden])")
        page.close()
        to_verdict(other)
        assert other.inner_text("#verdict-word") == "Accept"
        later = tab(running.address)
        stage(later, "who")


def test_a_double_click_on_start_begins_one_run(tab):
    with console() as running:
        page = tab(running.address)
        sign_in(page)
        to_fit(page, "C-1042")
        page.click("#purged")
        page.dblclick("#start")
        to_verdict(page)
        pause(1.0)
    assert len(Store(store_path()).runs()) == 1


def test_a_tag_of_script_and_sql_is_only_text(tab):
    with console() as running:
        page = tab(running.address)
        sign_in(page, "<b>Kim</b>")
        begin(page, HOSTILE)
        to_verdict(page)
        assert page.inner_text("#fact-tag") == HOSTILE
        page.click("[data-show=today]")
        page.wait_for_selector("#runs tr")
        assert HOSTILE in page.inner_text("#runs")
        assert page.title() == "benchrig"
        assert page.locator("main script, main b b").count() == 0


@pytest.mark.parametrize("seen", ["wet with fuel", "crack or broken port"])
def test_a_wet_or_cracked_part_is_not_put_on_the_bench(tab, seen):
    with console() as running:
        page = tab(running.address)
        sign_in(page)
        to_fit(page, "C-1042")
        page.click("#fit [data-back=look]")
        stage(page, "look")
        page.check(f"input[value='{seen}']")
        page.click("#look button.main")
        page.wait_for_selector("#not-on-bench:not([hidden])")
        assert page.is_hidden("#fit")
        page.click("[data-next-part]")
        stage(page, "tag")
        assert running.joined()["state"]["phase"] == "idle"


def test_a_model_that_is_not_in_the_list_leads_to_general_practice_and_back(tab):
    with console() as running:
        page = tab(running.address)
        sign_in(page)
        stage(page, "tag")
        scan(page, "C-1042")
        stage(page, "model")
        page.fill("input[name=find]", "no such model")
        assert page.is_visible("#no-model")
        page.click("#not-listed")
        assert "never accepted" in page.inner_text("#unlisted")
        page.click("#back-to-models")
        page.fill("input[name=find]", "birch")
        assert page.locator("#models label").count() == 1
        page.click("#not-listed")
        page.click("[data-practice=unknown]")
        stage(page, "look")
        enter(page)
        stage(page, "fit")
        enter(page)
        pause(0.1)
        enter(page)
        to_verdict(page)
        assert page.inner_text("#verdict-word") == "Undecided"
        assert "general practice only" in page.inner_text("#verdict-notes")


def test_a_scan_while_something_else_is_asked_is_another_part_and_starts_nothing(tab):
    with console() as running:
        page = tab(running.address)
        sign_in(page)
        to_fit(page, "C-1042")
        scan(page, "C-2000")
        stage(page, "model")
        assert "C-2000" in page.inner_text("#model h1")
        assert running.joined()["state"]["phase"] == "idle"


def test_a_clerks_day_by_scanner_and_enter_alone(tab):
    """Ten parts; the keys pressed by hand for each after the first: four times Enter."""
    with console() as running:
        page = tab(running.address)
        sign_in(page)
        for number in range(10):
            if number == 0:
                stage(page, "tag")
            scan(page, f"C-{1000 + number}")
            stage(page, "model")
            page.wait_for_selector("#models label")
            for name in ("look", "fit"):
                enter(page)
                stage(page, name)
            enter(page)
            pause(0.1)
            enter(page)
            page.wait_for_selector("#verdict:not([hidden])")
            pause()
        assert page.inner_text("#verdict-word") == "Accept"
    assert len(Store(store_path()).runs()) == 10


def looked_at(page, axe: str) -> list[str]:
    """The serious and critical faults on the screen, WCAG 2.2 A and AA."""
    page.evaluate(axe)
    found = page.evaluate(
        "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']})"
    )
    assert len(found["passes"]) > 5
    return [
        f"{each['id']}: {node['target']} {node['failureSummary']}"
        for each in found["violations"]
        if each["impact"] in ("serious", "critical")
        for node in each["nodes"]
    ]


@pytest.mark.parametrize("phone", [False, True], ids=["wide", "phone"])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_no_serious_fault_of_accessibility_on_any_screen(tab, axe, phone, dark):
    with console("--simulated") as running:
        page = tab(running.address, phone=phone, dark=dark, language="de-DE")
        stage(page, "who")
        faults = looked_at(page, axe)
        sign_in(page)
        stage(page, "tag")
        faults += looked_at(page, axe)
        scan(page, "C-1042")
        stage(page, "model")
        page.wait_for_selector("#models label")
        page.select_option("select[name=condition]", "stuck-open")
        faults += looked_at(page, axe)
        page.focus("input[name=find]")
        enter(page)
        stage(page, "look")
        faults += looked_at(page, axe)
        enter(page)
        stage(page, "fit")
        faults += looked_at(page, axe)
        enter(page)
        pause(0.1)
        faults += looked_at(page, axe)
        enter(page)
        page.wait_for_selector("#did li")
        faults += looked_at(page, axe)
        page.wait_for_selector("#ask:not([hidden]), #verdict:not([hidden])", timeout=60_000)
        pause(0.6)
        faults += looked_at(page, axe)
        to_verdict(page)
        page.click("summary")
        faults += looked_at(page, axe)
        for name in ("today", "bench"):
            page.click(f"[data-show={name}]")
            pause(0.5)
            faults += looked_at(page, axe)
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert faults == []
    assert wide <= 0
