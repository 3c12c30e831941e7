"""The web process: the page's routes. What is to be done is told to the bench process, what is shown is the store's."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any, TypeVar

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from benchrig.console.access import PRINT_POLICY, Access, Guard
from benchrig.console.bench_link import BenchLink
from benchrig.console.live_state import LiveState
from benchrig.console.requests_taken import NotTaken, answer_of, calibration_wanted, check_wanted, run_wanted
from benchrig.console.settings import BenchSettings
from benchrig.console.store_views import StoreViews
from benchrig.console.templates_of import page
from benchrig.console.texts import LANGUAGES, best_language, dictionary
from benchrig.console.watchers import MOST_WATCHERS, Watchers
from benchrig.errors import BenchError, ConfigError

__all__ = ["console_app"]

T = TypeVar("T")
FOLDER = Path(__file__).parent
SOON_S = 5.0


class Console:
    """What the routes share."""

    def __init__(self, settings: BenchSettings, access: Access) -> None:
        self.settings = settings
        self.access = access
        self.state = LiveState()
        self.views = StoreViews(settings)
        self.watchers = Watchers(
            lambda: {"server": access.start, "state": self.state.document(), "samples": self.state.curves},
            self.state.document,
        )
        self.link = BenchLink(settings, self._heard, self._died)
        self._aside: set[asyncio.Task[None]] = set()

    def _heard(self, message: dict[str, Any]) -> None:
        self.watchers.changed(self.state.hear(message))

    def _died(self, words: str) -> None:
        if self.state.busy:
            self.state.hear({"say": "died", "error": words})
        self.watchers.changed()
        task = asyncio.create_task(self._after_death(self.state.number))
        self._aside.add(task)
        task.add_done_callback(self._aside.discard)

    async def _after_death(self, number: int) -> None:
        """Have the record closed as aborted, say so, and start another bench process."""
        run = self.state.run
        with suppress(BenchError, OSError):
            found = await run_in_threadpool(self.views.cut_off, run)
            if found and self.state.number == number and self.state.ended is not None:
                self.state.ended |= found
        self.watchers.changed()
        if self.link.lived_s > SOON_S:  # one that dies at once would do so again and again: not before it is needed
            await self.link.start()

    @asynccontextmanager
    async def lifespan(self, _app: Starlette) -> AsyncIterator[None]:
        """Bench process and news as long as the server is up."""
        await self.link.start()
        news = asyncio.create_task(self.watchers.hand_out())
        yield
        self.watchers.close()
        await self.link.close()
        news.cancel()

    # -- what is done

    async def start(self, request: Request) -> Response:
        """Begin a run, a bench check or a calibration; one at a time."""
        given = await _document(request)
        match given.get("do"):
            case "check":
                wanted = check_wanted(given)
            case "calibrate":
                wanted = calibration_wanted(given)
            case _:
                wanted = run_wanted(given, self.settings)
        if wanted["draft"] and wanted["draft"] == self.state.work.get("draft"):
            return JSONResponse({"number": self.state.number})  # the same press of the button, twice
        if self.state.busy:
            return _no("Something is going on at the bench already.", "Wait for its end, or stop it.", 409)
        self.state.begin({key: value for key, value in wanted.items() if key not in ("complaint", "findings")})
        number = self.state.number
        self.watchers.changed()
        await self.link.start()
        if not await self.link.send(wanted):
            self.state.hear({"say": "died", "error": "The bench process does not answer."})
            self.watchers.changed()
        return JSONResponse({"number": number})

    async def stop(self, _request: Request) -> Response:
        """Stop whatever goes on; nothing where nothing does."""
        self.state.stop_asked()
        self.watchers.changed()
        await self.link.send({"do": "stop"})
        return JSONResponse({"stopping": self.state.stopping})

    async def answer(self, request: Request) -> Response:
        """Answer the question that is open; the first answer counts."""
        open_question = self.state.question
        command = answer_of(await _document(request), open_question)
        if command is None:
            return _no("That question is answered already.", "", 409)
        await self.link.send(command)
        return JSONResponse({})

    # -- what is shown

    async def index(self, request: Request) -> Response:
        """The page."""
        chosen = request.query_params.get("lang", "")
        language = _language(request)
        shown = HTMLResponse(page("console.html", language, page_token=self.access.page_token, console=self.settings))
        if chosen in LANGUAGES:
            shown.set_cookie("benchrig_language", chosen, samesite="strict", httponly=True, max_age=31_536_000)
        return shown

    async def live(self, _request: Request) -> Response:
        """What happens, as it happens."""
        if self.watchers.count >= MOST_WATCHERS:
            return _no("Too many browsers watch.", "Close some.", 503)
        return StreamingResponse(self.watchers.watch(), media_type="text/event-stream")

    async def texts(self, request: Request) -> Response:
        """The page's texts in the browser's language."""
        return JSONResponse(dictionary(_language(request)))

    async def models(self, _request: Request) -> Response:
        """Valve models, last used first."""
        return JSONResponse(await run_in_threadpool(self.views.models))

    async def tag(self, request: Request) -> Response:
        """What was scanned or typed as a tag: whose it is, and what that part has been through."""
        return JSONResponse(await run_in_threadpool(self.views.tag, request.query_params.get("typed", "")))

    async def today(self, _request: Request) -> Response:
        """The day's tally."""
        return JSONResponse(await run_in_threadpool(self.views.today))

    async def bench(self, _request: Request) -> Response:
        """What the bench rests on, and what is overdue."""
        return JSONResponse(await run_in_threadpool(self.views.bench))

    async def run(self, request: Request) -> Response:
        """A run of the store."""
        return JSONResponse(await run_in_threadpool(self.views.run, request.path_params["run"]))

    async def chart(self, _request: Request) -> Response:
        """The charts of the check valve."""
        html = await run_in_threadpool(self.views.chart)
        return HTMLResponse(html, headers={"content-security-policy": PRINT_POLICY})

    async def printed(self, request: Request) -> Response:
        """The page or the label of a run, to print."""
        html = await run_in_threadpool(
            self.views.printed, request.path_params["run"], label=request.path_params["what"] == "label"
        )
        return HTMLResponse(html, headers={"content-security-policy": PRINT_POLICY})


def console_app(settings: BenchSettings, access: Access) -> Starlette:
    """The application that a web server serves."""
    console = Console(settings, access)

    async def not_taken(_request: Request, error: Exception) -> Response:
        assert isinstance(error, BenchError)  # for the type checker: it is registered for no other
        return _no(str(error), error.hint, 400 if isinstance(error, (ConfigError, NotTaken)) else 503)

    def get(path: str, shown: Callable[[Request], Any]) -> Route:
        return Route(path, shown, methods=["GET"])

    app = Starlette(
        routes=[
            get("/", console.index),
            get("/live", console.live),
            get("/texts", console.texts),
            get("/models", console.models),
            get("/tag", console.tag),
            get("/today", console.today),
            get("/bench", console.bench),
            get("/runs/{run}", console.run),
            get("/chart/print", console.chart),
            get("/{what:str}/{run:str}/print", console.printed),
            Route("/do/start", console.start, methods=["POST"]),
            Route("/do/stop", console.stop, methods=["POST"]),
            Route("/do/answer", console.answer, methods=["POST"]),
            Mount("/static", StaticFiles(directory=FOLDER / "static")),
        ],
        middleware=[Middleware(Guard, access=access)],
        exception_handlers={BenchError: not_taken},
        lifespan=console.lifespan,
    )
    app.state.watchers = console.watchers
    return app


async def _document(request: Request) -> dict[str, Any]:
    try:
        document = json.loads(await request.body())
    except (ValueError, RecursionError):
        document = None
    if not isinstance(document, dict):
        raise NotTaken("What was sent is no JSON document.")
    return document


def _language(request: Request) -> str:
    for chosen in (request.query_params.get("lang"), request.cookies.get("benchrig_language")):
        if chosen in LANGUAGES:
            return str(chosen)
    return best_language(request.headers.get("accept-language", ""))


def _no(error: str, hint: str, status: int) -> Response:
    return JSONResponse({"error": error, "hint": hint}, status)
