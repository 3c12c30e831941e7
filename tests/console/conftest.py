"""A browser: Debian's Chromium, without a window, driven by Playwright."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.helpers import absent

WIDE, PHONE = {"width": 1280, "height": 800}, {"width": 390, "height": 844}


@pytest.fixture(scope="session")
def chromium():
    """The browser; skips where there is none."""
    path = shutil.which("chromium")
    if path is None:
        absent("chromium is not installed")
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def tab(chromium) -> Iterator[Callable]:
    """A new browser of its own with one tab; what its page complains of fails the test."""
    contexts, complaints = [], []

    def opened(url: str, *, phone: bool = False, dark: bool = False, language: str = "en-GB"):
        context = chromium.new_context(
            viewport=PHONE if phone else WIDE, color_scheme="dark" if dark else "light", locale=language
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(20_000)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        page.on("console", lambda said: complaints.append(said.text) if "Security Policy" in said.text else None)
        page.goto(url)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert complaints == []


@pytest.fixture(scope="session")
def axe() -> str:
    """The text of axe-core, which looks for faults of accessibility; skips where it was not fetched."""
    named = os.environ.get("BENCHRIG_AXE")
    path = None if not named else Path(named) / "node_modules" / "axe-core" / "axe.min.js"
    if path is None or not path.exists():
        absent("axe-core is not here: npm install --prefix FOLDER axe-core, and BENCHRIG_AXE=FOLDER")
    return path.read_text(encoding="utf-8")
