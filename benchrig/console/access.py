"""Who may reach the page: host, token and origin of each request, and the headers that keep a browser honest.

Loopback by default: only programs of this computer reach it, and a page of another site that the operator's browser
shows can neither read (same-origin policy; `Host` is checked against rebinding of a name, Fetch Metadata against
embedding) nor act (`Origin` and the page's own token are asked for). Anything wider than loopback needs the console's
token for every request, whatever it is for.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["LOOPBACK", "Access", "Guard"]

LOOPBACK = ("127.0.0.1", "localhost", "::1")
COOKIE = "benchrig_console"
MOST_BODY_BYTES = 65_536
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
PRINT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'; sandbox allow-modals"
)
"""Printed pages bring their style along; no script runs in them whatever stands in their text."""


@dataclass(frozen=True)
class Access:
    """How the page may be reached.

    Attributes
    ----------
    host : str
        That the console listens on.
    port : int
    token : str
        Asked for where `host` is not loopback.
    page_token : str
        Stands in the page, and comes back with whatever the page does: another site does not know it.
    start : str
        Names this start of the console: a page of an earlier one loads itself again.
    """

    host: str
    port: int
    token: str = field(default_factory=lambda: secrets.token_urlsafe(18), repr=False)
    page_token: str = field(default_factory=lambda: secrets.token_urlsafe(18), repr=False)
    start: str = field(default_factory=lambda: secrets.token_hex(4))

    @property
    def needs_token(self) -> bool:
        """Whether other computers could reach it."""
        return self.host not in LOOPBACK

    @property
    def address(self) -> str:
        """What to open in a browser."""
        shown = f"[{self.host}]" if ":" in self.host else self.host
        return f"http://{shown}:{self.port}/" + (f"?token={self.token}" if self.needs_token else "")

    def names_us(self, host: str) -> bool:
        """Whether a `Host` header is one under which this console is reached."""
        try:
            parts = urlsplit(f"//{host}")
            name, port = parts.hostname, parts.port
        except ValueError:
            return False
        if name is None or (port or 80) != self.port:
            return False
        if self.host in ("0.0.0.0", "::"):  # every address of this computer: the token tells
            return True
        return name in (LOOPBACK if self.host in LOOPBACK else (self.host.lower(), *LOOPBACK))


class Guard:
    """ASGI middleware that turns away whoever may not, before any route is looked for."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let it pass, or refuse it."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        refused = self._refused(scope, headers)
        if refused is not None:
            await PlainTextResponse(refused[1], refused[0], headers=_fixed())(scope, receive, send)
            return
        given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        if given and scope["path"] == "/" and self._access.needs_token:
            leave = RedirectResponse("/", 303, headers=_fixed())
            leave.set_cookie(COOKIE, self._access.token, httponly=True, samesite="strict", path="/")
            await leave(scope, receive, send)
            return

        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                answer = MutableHeaders(scope=message)
                for name, value in _fixed().items():
                    answer.setdefault(name, value)
            await send(message)

        await self._app(scope, receive, sending)

    def _refused(self, scope: Scope, headers: Headers) -> tuple[int, str] | None:
        """Status and words; None: it may pass."""
        if not self._access.names_us(headers.get("host", "")):
            return 421, "This console is not reached under that name."
        if self._access.needs_token and not self._knows_token(scope, headers):
            return 403, "Open the address with the token that the console printed when it was started."
        site = headers.get("sec-fetch-site", "none")
        looking = scope["method"] in ("GET", "HEAD")
        if site not in ("none", "same-origin") and not (looking and headers.get("sec-fetch-mode") == "navigate"):
            return 403, "Another site may not ask this console."
        if looking:
            return None
        if scope["method"] != "POST":
            return 405, "Not so."
        if headers.get("origin") != f"http://{headers['host']}":
            return 403, "Only the console's own page may do that."
        if not secrets.compare_digest(headers.get("x-page-token", "").encode(), self._access.page_token.encode()):
            return 403, "This page is from before the console was started: load it again."
        length = headers.get("content-length", "")
        if not length.isdigit() or int(length) > MOST_BODY_BYTES:
            return 413, "Too much at once."
        return None

    def _knows_token(self, scope: Scope, headers: Headers) -> bool:
        given = ""
        if scope["path"] == "/":
            given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        if not given:
            try:
                cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
            except CookieError:
                cookie = None
            given = "" if cookie is None else cookie.value
        return secrets.compare_digest(given.encode(), self._access.token.encode())


def _fixed() -> dict[str, str]:
    return {
        "content-security-policy": _POLICY,
        "x-content-type-options": "nosniff",
        "referrer-policy": "no-referrer",
        "cross-origin-opener-policy": "same-origin",
        "cross-origin-resource-policy": "same-origin",
        "cache-control": "no-store",
    }
