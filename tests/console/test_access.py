"""Who is turned away before any route is looked for, and what each answer tells a browser."""

from __future__ import annotations

import asyncio

import httpx
import pytest
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from benchrig.console.access import Access, Guard

HERE = "http://127.0.0.1:8765"


def asked(access: Access, method: str, url: str, **more) -> httpx.Response:
    """What a guarded application with one route answers."""
    app = Starlette(routes=[Route("/", lambda _: PlainTextResponse("inside"), methods=["GET", "POST"])])
    transport = httpx.ASGITransport(Guard(app, access))

    async def ask() -> httpx.Response:
        async with httpx.AsyncClient(transport=transport) as client:
            return await client.request(method, url, **more)

    return asyncio.run(ask())


ALONE = Access("127.0.0.1", 8765)
WIDE = Access("0.0.0.0", 8765)
OWN = {"origin": HERE, "x-page-token": ALONE.page_token}


@pytest.mark.parametrize("host", ["127.0.0.1:8765", "localhost:8765", "[::1]:8765"])
def test_a_name_of_this_computer_passes(host: str) -> None:
    assert asked(ALONE, "GET", HERE, headers={"host": host}).text == "inside"


@pytest.mark.parametrize(
    "host",
    ["bench.example:8765", "127.0.0.1", "127.0.0.1:80", "127.0.0.1:8765.evil.example", "", "[::1", "localhost:x"],
)
def test_another_name_is_refused_so_that_rebinding_a_name_gains_nothing(host: str) -> None:
    refused = asked(ALONE, "GET", HERE, headers={"host": host})
    assert refused.status_code == 421
    assert "inside" not in refused.text


@pytest.mark.parametrize(
    "changed",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://localhost:8765"},
        {"origin": "https://127.0.0.1:8765"},
        {"origin": ""},
        {"x-page-token": "guessed"},
        {"x-page-token": ""},
        {"x-page-token": "é"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"},
    ],
)
def test_what_another_site_sends_does_nothing(changed: dict[str, str]) -> None:
    headers = [(name, value.encode()) for name, value in {**OWN, **changed}.items()]
    assert asked(ALONE, "POST", HERE, headers=headers, content="{}").status_code == 403


def test_the_own_page_passes() -> None:
    assert asked(ALONE, "POST", HERE, headers=OWN, content="{}").text == "inside"
    assert asked(ALONE, "POST", HERE, headers={**OWN, "sec-fetch-site": "same-origin"}, content="{}").text == "inside"


def test_another_site_may_link_to_the_page_but_not_read_it() -> None:
    linked = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}
    assert asked(ALONE, "GET", HERE, headers=linked).status_code == 200
    embedded = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}
    assert asked(ALONE, "GET", HERE, headers=embedded).status_code == 403


def test_other_methods_and_great_bodies_are_refused() -> None:
    assert asked(ALONE, "PUT", HERE, headers=OWN).status_code == 405
    assert asked(ALONE, "POST", HERE, headers=OWN, content="x" * 70_000).status_code == 413

    async def pieces():
        yield b"{}"

    assert asked(ALONE, "POST", HERE, headers=OWN, content=pieces()).status_code == 413


def test_beyond_loopback_every_request_needs_the_token() -> None:
    assert not ALONE.needs_token
    assert WIDE.needs_token
    assert WIDE.token in WIDE.address
    assert asked(WIDE, "GET", HERE).status_code == 403
    assert asked(WIDE, "GET", f"{HERE}/?token=guessed").status_code == 403
    assert asked(WIDE, "GET", HERE, headers={"cookie": "benchrig_console=guessed"}).status_code == 403
    entered = asked(WIDE, "GET", f"{HERE}/?token={WIDE.token}")
    assert entered.status_code == 303
    assert entered.headers["location"] == "/"
    cookie = entered.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    with_cookie = {"cookie": entered.headers["set-cookie"].partition(";")[0]}
    assert asked(WIDE, "GET", HERE, headers=with_cookie).text == "inside"
    acting = {**with_cookie, "origin": HERE, "x-page-token": WIDE.page_token}
    assert asked(WIDE, "POST", HERE, headers=acting, content="{}").text == "inside"
    assert asked(WIDE, "POST", HERE, headers={**acting, "cookie": ""}, content="{}").status_code == 403


@pytest.mark.parametrize("headers", [{}, {"host": "evil.example"}])
def test_every_answer_forbids_scripts_from_elsewhere_and_frames(headers: dict[str, str]) -> None:
    answer = asked(ALONE, "GET", HERE, headers=headers)
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
