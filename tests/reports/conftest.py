"""What the tests of pages share."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.helpers import absent, need_program


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Chromium, opened once for a file of tests."""
    chromium = need_program("chromium")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        absent("playwright is not installed")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        yield opened
        opened.close()
