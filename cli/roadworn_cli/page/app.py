"""The application: which address shows or writes what, and how a failure becomes a sentence."""

import os
import traceback
from collections.abc import Callable, Collection
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import (
    FileResponse,
    JSONResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
)
from starlette.routing import Route

from roadworn.analysis.host import PluginHost
from roadworn.model import using
from roadworn.model.errors import LedgerBusy, RoadwornError, UnknownName
from roadworn.say import SOURCE, languages
from roadworn.store.photographs import Photographs
from roadworn_cli.context import State
from roadworn_cli.page import counter, jobs, look_over, pictures, vehicle, wheels, work
from roadworn_cli.page.asking import Asker
from roadworn_cli.page.desk import Desk, Doubted, lines_of
from roadworn_cli.page.guard import Guard, Sessions, TooLarge, session_of, token_fits

_STATIC = Path(__file__).parent / "static"
_FILES = {"page.css": "text/css", "page.js": "text/javascript"}
_FIELDS, _FIELD_BYTES = 2_000, 200_000


def application(
    state: State,
    sessions: Sessions,
    names: Collection[str] = (),
    *,
    local: bool = True,
    secure: bool = False,
    host: PluginHost | None = None,
    language: str = SOURCE,
    adapter: str = "",
) -> Starlette:
    """Return the application of one ledger.

    Args:
        state: which ledger.
        sessions: who may ask.
        names: host names that it answers to.
        local: it is bound to this machine alone.
        secure: it is reached by https.
        host: the plugins, when they are loaded already.
        language: of the page, where a device asks for no other.
        adapter: port of an adapter at the diagnostic socket, or an empty text.
    """
    plugins = host or state.plugins()
    asker = Asker(state, plugins)
    desk = Desk(state, asker, Photographs(state.ledger), language=language, adapter=adapter)

    def get(path: str, shows: Callable[..., Response]) -> Route:
        async def answer(request: Request) -> Response:
            with using(lambda: plugins):
                return await _told(desk, request, shows, desk, request, **request.path_params)

        return Route(path, answer, methods=["GET"])

    def post(path: str, sends: Callable[..., Response]) -> Route:
        async def answer(request: Request) -> Response:
            parts = request.form(max_files=1, max_fields=_FIELDS, max_part_size=_FIELD_BYTES)
            async with parts as form:
                if not token_fits(request, form):
                    return _stale(desk, request)
                given = desk, request, form
                with using(lambda: plugins):
                    sent = await _told(desk, request, sends, *given, **request.path_params)
            # The script asks where to go on, so that the next page is made once.
            if "x-page" in request.headers and isinstance(sent, RedirectResponse):
                return JSONResponse({"to": sent.headers["location"]})
            return sent

        return Route(path, answer, methods=["POST"])

    routes = [
        Route("/static/{name}", _static),
        Route("/worker.js", _worker),
        Route("/favicon.ico", _nothing),
        Route("/token", _token),
        Route("/language/{code}", _language),
        Route("/leave", _leave, methods=["POST"]),
        get("/pair", _pair_page),
        post("/pair", _pair),
        get("/", vehicle.find_page),
        get("/day", vehicle.day_page),
        get("/calls", counter.calls_page),
        get("/take-in", jobs.show_take_in),
        post("/take-in", jobs.send_take_in),
        get("/photograph/{digest}", lambda desk, _request, digest: pictures.picture(desk, digest)),
        get("/v/{vehicle}", vehicle.vehicle_page),
        get("/v/{vehicle}/history", vehicle.history_page),
        get("/v/{vehicle}/outlook", vehicle.outlook_page),
        post("/v/{vehicle}/erase/{event_id}", pictures.erase),
        post("/v/{vehicle}/back/{event_id}", vehicle.take_back),
        get("/v/{vehicle}/correct/{event_id}", counter.show_correction),
        post("/v/{vehicle}/correct/{event_id}", counter.send_correction),
    ]
    forms = {
        "look-over": (look_over.show_look_over, look_over.send_look_over),
        "complaint": (jobs.show_complaint, jobs.send_complaint),
        "scan": (jobs.show_scan, jobs.send_scan),
        "estimate": (jobs.show_estimate, jobs.send_estimate),
        "answer": (jobs.show_answer, jobs.send_answer),
        "work": (work.show_work, work.send_work),
        "visit": (jobs.show_visit, jobs.send_visit),
        "wheels": (wheels.show_wheels, wheels.send_wheels),
        "sale": (counter.show_sale, counter.send_sale),
        "photograph": (pictures.show_photograph, pictures.send_photograph),
    }
    for name, (shows, sends) in forms.items():
        routes += [get(f"/v/{{vehicle}}/{name}", shows), post(f"/v/{{vehicle}}/{name}", sends)]

    @asynccontextmanager
    async def life(_app: Starlette) -> Any:  # noqa: ANN401  # an async generator
        yield
        asker.close()

    guard = Middleware(Guard, sessions=sessions, names=names, local=local, secure=secure)
    app = Starlette(
        routes=routes,
        middleware=[guard],
        exception_handlers=_handlers(desk),
        lifespan=life,
    )
    app.state.desk, app.state.sessions = desk, sessions
    return app


def _handlers(desk: Desk) -> dict[Any, Callable[..., Any]]:
    """Return what says a failure that no route saw."""

    async def too_large(request: Request, error: Exception) -> Response:
        return _said(desk, request, "Not written", [str(error)], 413)

    async def missing(request: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else 500
        if "session" not in request.scope:
            return PlainTextResponse("Not here.", status)
        told = "There is no such page."
        if status != 404:
            told = "That is too much at once, or cannot be read: nothing was written."
        return _said(desk, request, "Not here", [told], status)

    return {TooLarge: too_large, HTTPException: missing}


async def _told(
    desk: Desk,
    request: Request,
    function: Callable[..., Response],
    *given: Any,  # noqa: ANN401
    **named: Any,  # noqa: ANN401
) -> Response:
    """Run what shows or writes apart from the loop, and say a refusal in plain words."""
    try:
        return await run_in_threadpool(function, *given, **named)
    except Doubted as doubt:
        return _said(desk, request, "Before it is written", doubt.lines, 409)
    except UnknownName as error:
        return _said(desk, request, "Not found", [error.message], 404)
    except LedgerBusy as error:
        return _said(desk, request, "Not now", lines_of(error), 503)
    except RoadwornError as error:
        return _said(desk, request, "Not done", lines_of(error), 422)
    except OSError as error:
        told = f"The system said: {error.strerror or error}; nothing more was written."
        return _said(desk, request, "Not done", [told], 500)
    except Exception as error:  # noqa: BLE001  # the last door: a fault must not end in silence
        if os.environ.get("ROADWORN_DEBUG"):
            traceback.print_exc()
        told = f"This is a fault in Roadworn: {type(error).__name__}; nothing more was written."
        return _said(desk, request, "Not done", [told], 500)


def _said(
    desk: Desk, request: Request, title: str, lines: Collection[str], status: int
) -> Response:
    return desk.show(request, "said.html", status=status, title=title, lines=lines)


def _stale(desk: Desk, request: Request) -> Response:
    told = "This form belongs to an earlier visit: go back, open it again, and send it once more."
    return _said(desk, request, "Not written", [told], 403)


async def _static(request: Request) -> Response:
    name = request.path_params["name"]
    if name not in _FILES:
        raise HTTPException(404)
    # Their addresses carry the digest of what they hold.
    headers = {"cache-control": "public, max-age=31536000, immutable"}
    return FileResponse(_STATIC / name, media_type=_FILES[name], headers=headers)


async def _nothing(_request: Request) -> Response:
    return Response(status_code=204)


async def _worker(_request: Request) -> Response:
    headers = {"cache-control": "no-cache"}
    return FileResponse(_STATIC / "worker.js", media_type="text/javascript", headers=headers)


async def _token(request: Request) -> Response:
    return JSONResponse({"token": session_of(request).token})


async def _language(request: Request) -> Response:
    """Speak another language to this device from here on."""
    code = request.path_params["code"]
    if code not in languages():
        raise HTTPException(404)
    session_of(request).language = code
    return RedirectResponse("/", 303)


async def _leave(request: Request) -> Response:
    async with request.form() as form:
        fits = token_fits(request, form)
    if fits:
        request.app.state.sessions.end(session_of(request))
    answer = RedirectResponse("/", 303)
    answer.headers["clear-site-data"] = '"cache", "storage", "cookies"'
    answer.headers["x-forget"] = "1"
    return answer


def _pair_page(desk: Desk, request: Request) -> Response:
    if session_of(request).paired:
        return RedirectResponse("/", 303)
    return desk.show(request, "pair.html", alert="")


def _pair(desk: Desk, request: Request, form: Any) -> Response:  # noqa: ANN401
    sessions: Sessions = request.app.state.sessions
    refused = sessions.pairing.refused(str(form.get("code", ""))[:40])
    if refused:
        return desk.show(request, "pair.html", status=403, alert=refused)
    sessions.end(session_of(request))
    request.scope["session"] = sessions.begin(paired=True)
    return RedirectResponse("/", 303)
