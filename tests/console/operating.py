"""What a person does at the page, by keyboard."""

from __future__ import annotations

from benchrig.clock import RealClock

CLOCK = RealClock()


def pause(seconds: float = 0.3) -> None:
    """As long as a person takes at least; the page takes no key that comes at once."""
    CLOCK.sleep_until(CLOCK.now() + seconds)


def stage(page, name: str) -> None:
    page.wait_for_selector(f"#{name}:not([hidden])")
    pause()


def enter(page) -> None:
    page.keyboard.press("Enter")


def sign_in(page, name: str = "Kim") -> None:
    stage(page, "who")
    page.keyboard.type(name)
    enter(page)


def scan(page, tag: str) -> None:
    """As a scanner types: at machine speed, with Enter at the end."""
    page.keyboard.type(tag)
    enter(page)


def to_fit(page, tag: str, condition: str | None = None) -> None:
    stage(page, "tag")
    scan(page, tag)
    stage(page, "model")
    page.wait_for_selector("#models label")
    if condition is not None:
        page.select_option("select[name=condition]", condition)
        page.focus("input[name=find]")
    enter(page)
    stage(page, "look")
    enter(page)
    stage(page, "fit")


def begin(page, tag: str = "C-1042", condition: str | None = None) -> None:
    """From the tag to the running test."""
    to_fit(page, tag, condition)
    enter(page)  # purged and ventilated
    pause(0.1)
    enter(page)  # start
    page.wait_for_selector("#live:not([hidden])")


def to_verdict(page, longest_s: float = 90.0) -> list[str]:
    """Do what is asked until there is a verdict; what was asked."""
    asked: list[str] = []
    until_s = CLOCK.now() + longest_s
    while page.is_hidden("#verdict"):
        assert CLOCK.now() < until_s, page.inner_text("main")
        if page.is_visible("#ask"):
            said = page.inner_text("#ask-what")
            if not asked or asked[-1] != said:
                asked.append(said)
            pause(0.6)
            enter(page)
        pause(0.1)
    return asked
