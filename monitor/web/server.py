"""The page: HTML made on the server, one style sheet and one small script of our own, nothing else."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Final
from urllib.parse import urlsplit

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import PlainTextResponse
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException
from starlette.middleware.trustedhost import TrustedHostMiddleware

from monitor.diagnosis.watchweek import WEEK
from monitor.errors import StoreError
from monitor.service.ports import Board, Clock
from monitor.service.vitals import Watched
from monitor.web.acts import Acts
from monitor.web.health import Health
from monitor.web.links import Links
from monitor.web.pages import Pages
from monitor.web.worklist import WorkList

LOOPBACK: Final = ("127.0.0.1", "localhost", "[::1]")
"""Names under which the page may be asked for by default: another one is a rebound name of a hostile page."""

HEADERS: Final = {
    "Content-Security-Policy": (
        "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    # Not "no-referrer": with that, a browser sends our own forms with the origin "null".
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
}


def create_app(
    board: Board,
    clock: Clock,
    hosts: Sequence[str] = LOOPBACK,
    watched: Watched | None = None,
    visit_watch: float = WEEK,
    secret: bytes | None = None,
) -> FastAPI:
    """Return the web application; it reads through the board only.

    Parameters
    ----------
    board : Board
        The running service.
    clock : Clock
        What the page calls now; in accelerated time not the time of day.
    hosts : Sequence[str]
        Names under which it may be asked for; ``*`` allows any.
    watched : Watched or None
        The service itself, for ``/healthz`` and ``/metrics``.
    visit_watch : float
        For how long a tank is watched after a visit. [s]
    secret : bytes or None
        With which links in alerts are signed; None: there are none.
    """
    app = FastAPI(title="cushionwatch", docs_url=None, redoc_url=None, openapi_url=None)
    pages = Pages(board, clock, visit_watch)
    pages.add_to(app)
    Acts(board).add_to(app)
    Links(board, clock, secret).add_to(app)
    WorkList(board, clock, visit_watch).add_to(app)
    Health(board, watched).add_to(app)
    app.mount("/static", StaticFiles(directory=Path(__file__).parent / "static"), name="static")
    app.add_middleware(TrustedHostMiddleware, allowed_hosts=list(hosts))
    _guard(app)
    _explain(app, pages)
    return app


def _guard(app: FastAPI) -> None:
    """Put the security headers on each answer, and refuse what another site's page sends."""

    @app.middleware("http")
    async def guard(request: Request, answer: Callable[[Request], Awaitable[Response]]) -> Response:
        origin = request.headers.get("origin")
        foreign = origin is not None and urlsplit(origin).netloc != request.headers.get("host")
        if foreign and request.method not in {"GET", "HEAD"}:
            response: Response = PlainTextResponse("this form was sent by another site\n", 403)
        else:
            response = await answer(request)
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        return response


def _explain(app: FastAPI, pages: Pages) -> None:
    """Answer every error in words."""

    @app.exception_handler(HTTPException)
    async def refused(request: Request, error: HTTPException) -> Response:
        return pages.problem(request, error.status_code, str(error.detail))

    @app.exception_handler(RequestValidationError)
    async def malformed(request: Request, _: RequestValidationError) -> Response:
        return pages.problem(request, 422, "this address has a part that cannot be read")

    @app.exception_handler(StoreError)
    async def no_store(request: Request, error: StoreError) -> Response:
        return pages.problem(request, 503, str(error))
