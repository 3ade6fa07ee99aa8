"""What people do about events and sites on the page: each a form that is sent, with who and why."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, TypeVar
from urllib.parse import parse_qs

from fastapi import FastAPI, HTTPException, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import RedirectResponse

from monitor.errors import InputError
from monitor.readings import Point
from monitor.service.lifecycle_words import LONGEST_NAME, LONGEST_WHY, said
from monitor.service.ports import Board, Event

_FORM: Final = 4096
"""Bytes of a form: a name and a reason are no longer, whatever their letters."""

T = TypeVar("T")

CONFIRMED: Final = "yes"
"""What the box for a second confirmation sends."""


class Form:
    """The fields of a form, as they were sent."""

    def __init__(self, body: bytes) -> None:
        try:
            self._fields = parse_qs(body.decode("utf-8", "replace"), max_num_fields=20)
        except ValueError as error:
            raise HTTPException(422, "this form has too many fields") from error

    def text(self, name: str) -> str:
        """Return a field, empty where it is missing."""
        return self._fields.get(name, [""])[0]

    @property
    def who(self) -> str:
        """Return who sends it; 422 where nobody is named."""
        return self._said("who", "your name", LONGEST_NAME)

    @property
    def why(self) -> str:
        """Return the reason; 422 where there is none."""
        return self._said("why", "the reason", LONGEST_WHY)

    @property
    def urgent(self) -> bool:
        """Tell whether it is confirmed a second time."""
        return self.text("urgent") == CONFIRMED

    @property
    def point(self) -> Point | None:
        """Return the point that is meant, None for the whole site; 422 for another word."""
        text = self.text("point")
        if not text:
            return None
        try:
            return Point(text)
        except ValueError as error:
            known = ", ".join(point.value for point in Point)
            raise HTTPException(422, f"there is no point {text[:40]!r}; there are {known}") from error

    @property
    def seconds(self) -> float:
        """Return for how long; 422 where that is no number."""
        try:
            return float(self.text("seconds"))
        except ValueError as error:
            raise HTTPException(422, "say for how long") from error

    def _said(self, name: str, what: str, most: int) -> str:
        try:
            return said(self.text(name), what, most)
        except InputError as error:
            raise HTTPException(422, str(error)) from error


class Acts:
    """The routes of the forms, on one board."""

    def __init__(self, board: Board) -> None:
        self._board = board

    def add_to(self, app: FastAPI) -> None:
        """Register the routes."""
        only: dict[str, Any] = {"methods": ["POST"]}
        app.add_api_route("/events/{number}/acknowledge", self.acknowledge, **only)
        app.add_api_route("/events/{number}/shelve", self.shelve, **only)
        app.add_api_route("/events/{number}/unshelve", self.unshelve, **only)
        app.add_api_route("/sites/{site_id}/out", self.take_out, **only)
        app.add_api_route("/sites/{site_id}/back", self.put_back, **only)

    async def acknowledge(self, request: Request, number: int) -> Response:
        """Note who has taken an event, and go back to its site."""
        who = (await _form(request)).who
        return _to_site(number, await _done(lambda: self._board.acknowledge(number, who)))

    async def shelve(self, request: Request, number: int) -> Response:
        """Shelve an event, and go back to its site."""
        form = await _form(request)
        who, why, seconds, urgent = form.who, form.why, form.seconds, form.urgent
        return _to_site(
            number, await _done(lambda: self._board.shelve(number, who, why, seconds, urgent=urgent))
        )

    async def unshelve(self, request: Request, number: int) -> Response:
        """Take an event off its shelf, and go back to its site."""
        form = await _form(request)
        who, why = form.who, form.why
        return _to_site(number, await _done(lambda: self._board.unshelve(number, who, why)))

    async def take_out(self, request: Request, site_id: str) -> Response:
        """Take a site or a point out of service, and go back to it."""
        form = await _form(request)
        who, why, point, urgent = form.who, form.why, form.point, form.urgent
        await self._require(site_id)
        out = await _done(lambda: self._board.take_out(site_id, point, who, why, urgent=urgent))
        return RedirectResponse(f"/sites/{out.site}#work", 303)

    async def put_back(self, request: Request, site_id: str) -> Response:
        """Put a site or a point back in service, and go back to it."""
        form = await _form(request)
        who, why, point = form.who, form.why, form.point
        await self._require(site_id)
        out = await _done(lambda: self._board.put_back(site_id, point, who, why))
        return RedirectResponse(f"/sites/{out.site}#work", 303)

    async def _require(self, site_id: str) -> None:
        if await run_in_threadpool(lambda: self._board.site(site_id)) is None:
            raise HTTPException(404, f"there is no site {site_id!r}")


async def _form(request: Request) -> Form:
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > _FORM:
            raise HTTPException(413, "this form is too large")
    return Form(body)


async def _done(act: Callable[[], T]) -> T:
    """Return what an act gives; 409 where the state of things does not allow it. It may wait for the disk."""
    try:
        return await run_in_threadpool(act)
    except InputError as error:
        raise HTTPException(409, str(error)) from error


def _to_site(number: int, event: Event | None) -> Response:
    if event is None:
        raise HTTPException(404, f"there is no event {number}")
    return RedirectResponse(f"/sites/{event.site}", 303)
