"""The routes for those who watch the service: is it alive, can it work, and its state in numbers."""

from __future__ import annotations

from fastapi import FastAPI, HTTPException, Request, Response
from fastapi.responses import JSONResponse, PlainTextResponse

from monitor.errors import StoreError
from monitor.service.ports import Board
from monitor.service.vitals import Watched
from monitor.web.metrics import Exposition


class Health:
    """Answers in small JSON, and on ``/metrics`` in text.

    Parameters
    ----------
    board : Board
        Says what keeps the service from its work.
    watched : Watched or None
        The service itself; without it there is nothing to say but on ``/livez`` and ``/readyz``.
    """

    def __init__(self, board: Board, watched: Watched | None) -> None:
        self._board = board
        self._watched = watched
        self._exposition = None if watched is None else Exposition(watched.look)

    def add_to(self, app: FastAPI) -> None:
        """Register the routes."""
        app.add_api_route("/livez", self.livez, methods=["GET"])
        app.add_api_route("/readyz", self.readyz, methods=["GET"])
        if self._watched is not None:
            app.add_api_route("/healthz", self.healthz, methods=["GET"])
            app.add_api_route("/metrics", self.metrics, methods=["GET"])

    async def livez(self) -> Response:
        """Answer while this process answers at all."""
        return PlainTextResponse("ok\n")

    async def healthz(self) -> Response:
        """Answer 200 while every thread that must run does, and moves; else 503: start the service anew.

        Not a thread of the pool, and nothing of the store: it answers when those hang.
        """
        if self._watched is None:
            raise HTTPException(404)
        parts, stalled = self._watched.parts(), self._watched.stalled()
        alive = all(parts.values()) and not stalled
        answer = {"alive": alive, "parts": dict(parts), "stalled": list(stalled)}
        return JSONResponse(answer, 200 if alive else 503)

    def readyz(self) -> Response:
        """Answer 200 when readings can come in and be kept, 503 with the reasons when not."""
        try:
            problems = list(self._board.health().problems)
        except StoreError as error:
            problems = [str(error)]
        warnings = [] if self._watched is None else list(self._watched.warnings())
        answer = {"ready": not problems, "problems": problems, "warnings": warnings}
        return JSONResponse(answer, 503 if problems else 200)

    def metrics(self, request: Request) -> Response:
        """Return the state in numbers."""
        if self._exposition is None:
            raise HTTPException(404)
        body, kind = self._exposition.answer(request.headers.get("accept", ""))
        return Response(body, headers={"Content-Type": kind})
