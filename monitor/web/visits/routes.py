"""The routes of service visits: the form with its guide, the book, photos, and the same for programs."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final

from fastapi import FastAPI, HTTPException, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse
from fastapi.templating import Jinja2Templates
from starlette.concurrency import run_in_threadpool

from monitor.diagnosis.visit_guide import BEFORE, steps
from monitor.diagnosis.watchweek import WatchState
from monitor.diagnosis.watchweek_words import headline, missing
from monitor.diagnosis.words import Speaker
from monitor.errors import InputError
from monitor.service.photos import MOST_BYTES, MOST_PHOTOS, Photo
from monitor.service.ports import Board, Clock, SiteView
from monitor.service.proof import proof_of, watch_at
from monitor.service.visits import NOTE_MOST, VisitError, Wrong, visit_of
from monitor.site import Visit, VisitAction
from monitor.web import words
from monitor.web.machine import rfc3339
from monitor.web.visits import machine, sent
from monitor.web.visits.book import book
from monitor.web.visits.proof import HEADERS as PROOF_HEADERS
from monitor.web.visits.proof import page
from monitor.web.visits.words import DONE, aim, follows

LABELS: Final = {
    "supply": "Line pressure at rest",
    "found": "Air charge as found",
    "water_at_valve": "Did water come from the air valve?",
    "precharge": "Air charge as you left it",
    "action": "What was done",
    "tank_volume": "Volume of the new tank",
    "leak": "Was a leak seen?",
    "who": "Who was there",
    "note": "Note",
    "time": "When",
    "photo": "Photos",
    "": "",
}
"""What the form calls each field."""

_PHOTO_HEADERS: Final = {
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; sandbox",
    "X-Content-Type-Options": "nosniff",
}


class VisitPages:
    """The routes, on one board and one clock; ``length`` of a watch. [s]."""

    def __init__(self, board: Board, clock: Clock, templates: Jinja2Templates, length: float) -> None:
        self._board, self._clock = board, clock
        self._templates, self._length = templates, length

    def add_to(self, app: FastAPI) -> None:
        """Register the routes."""
        get: dict[str, Any] = {"response_class": HTMLResponse, "methods": ["GET"]}
        app.add_api_route("/sites/{site_id}/visit", self.form, **get)
        app.add_api_route("/sites/{site_id}/visits", self.visits, **get)
        app.add_api_route("/sites/{site_id}/visits", self.log, methods=["POST"])
        app.add_api_route("/sites/{site_id}/photos/{number}", self.photo, methods=["GET"])
        app.add_api_route("/sites/{site_id}/proof", self.proof, **get)
        app.add_api_route("/api/sites/{site_id}/visits", self.api_visits, methods=["GET"])
        app.add_api_route("/api/sites/{site_id}/visits", self.api_log, methods=["POST"])

    def form(self, request: Request, site_id: str) -> Response:
        """Show the steps of a visit, with a field where one of them asks for an answer."""
        view = self._view(site_id)
        now = words.local(self._clock.now(), view.site.timezone)
        return self._form(request, view, {"time": now.strftime("%Y-%m-%dT%H:%M")}, {})

    async def log(self, request: Request, site_id: str) -> Response:
        """Log what a form sends and show the book; show the form again where something is wrong."""
        view = await run_in_threadpool(self._view, site_id)
        given = await sent.form(request, view.site)
        try:
            visit, _ = await run_in_threadpool(self._log, view, given)
        except VisitError as error:
            problems = {one.field: one.why for one in error.problems}
            typed = _typed(given.told)
            return self._form(request, view, typed, problems)
        stamp = rfc3339(visit.time)
        return RedirectResponse(f"/sites/{site_id}/visits?logged={stamp}", 303)

    def visits(self, request: Request, site_id: str, logged: str = "") -> Response:
        """Show the visit book; of the visit that was ``logged`` just now also what follows from it."""
        view = self._view(site_id)
        time = _time(logged)
        new = next((one for one in view.visits if time is not None and abs(one.time - time) < 1.0), None)
        context = {
            "site": view.site,
            "entries": book(view, self._board.photos(site_id), self._clock.now(), self._length),
            "logged": new is not None,
            "follows": [] if new is None else list(follows(view.site, new)),
            "days": round(self._length / words.DAY),
        }
        return self._templates.TemplateResponse(request, "visits.html", context)

    def photo(self, site_id: str, number: int) -> Response:
        """Return a photo, as a picture and nothing else."""
        found = self._board.photo(site_id, number)
        if found is None:
            raise HTTPException(404, f"site {site_id!r} has no photo {number}")
        name = f'inline; filename="{site_id}-{number}.{found.kind.value}"'
        return Response(
            found.body, media_type=found.media_type, headers={**_PHOTO_HEADERS, "Content-Disposition": name}
        )

    def proof(self, request: Request, site_id: str, visit: str = "") -> Response:
        """Return the proof that a visit held; else say what is missing."""
        view, now = self._view(site_id), self._clock.now()
        try:
            watch = watch_at(
                view.site, view.visits, view.report, now, time=_asked(visit), length=self._length
            )
        except InputError as error:
            raise HTTPException(404, str(error)) from error
        if watch.state is not WatchState.HELD:
            speaker = Speaker(view.site)
            told = {"site": view.site, "head": headline(watch), "missing": missing(watch, speaker)}
            return self._templates.TemplateResponse(request, "unproved.html", told, status_code=404)
        found = proof_of(view.site, view.report, watch, self._board.photos(site_id))
        return HTMLResponse(page(found, now), headers=PROOF_HEADERS)

    def api_visits(self, site_id: str) -> Response:
        """Return the visit book with its watches and the advice, for other programs."""
        view = self._view(site_id)
        return JSONResponse(machine.book(view, self._board.photos(site_id), self._clock.now(), self._length))

    async def api_log(self, request: Request, site_id: str) -> Response:
        """Log what a program sends: 201 where it was new, 200 where it was known, 409 where it contradicts."""
        view = await run_in_threadpool(self._view, site_id)
        given = await sent.machine(request)
        try:
            visit, new = await run_in_threadpool(self._log, view, given)
        except VisitError as error:
            problems = [{"field": one.field, "why": one.why} for one in error.problems]
            status = 409 if any(one.why == _TAKEN for one in error.problems) else 422
            return JSONResponse({"error": str(error), "problems": problems}, status)
        answer = {"visit": machine.visit(visit), "follows": list(follows(view.site, visit))}
        return JSONResponse(answer, 201 if new else 200)

    def _view(self, site_id: str) -> SiteView:
        view = self._board.site(site_id)
        if view is None:
            raise HTTPException(404, f"there is no site {site_id!r}")
        return view

    def _log(self, view: SiteView, given: sent.Sent) -> tuple[Visit, bool]:
        """Check and store a visit; return it, and whether it was new."""
        visit, error = None, None
        try:
            visit = visit_of(view.site, given.told, self._clock.now(), photos=len(given.photos))
        except VisitError as found:
            error = found
        sent.refuse_if(given.wrong, error)
        if visit is None:
            raise AssertionError("a visit without a problem")
        new = self._board.log_visit(view.site.id, visit, given.photos)
        if not new and not self._same(view.site.id, visit, given.photos):
            raise VisitError([Wrong("time", _TAKEN)])
        return visit, new

    def _same(self, site_id: str, visit: Visit, photos: Sequence[Photo]) -> bool:
        """Tell whether the store holds just this visit with these photos: a form that was sent twice."""
        known = {one.sha256 for one in self._board.photos(site_id) if one.time == visit.time}
        seen = {hashlib.sha256(one.body).hexdigest() for one in photos}
        return visit in self._view(site_id).visits and seen <= known

    def _form(
        self, request: Request, view: SiteView, typed: dict[str, str], wrong: dict[str, str]
    ) -> Response:
        context = {
            "site": view.site,
            "before": BEFORE,
            "steps": steps(view.site, aim(view.site)),
            "labels": LABELS,
            "typed": typed,
            "wrong": wrong,
            "actions": [(one.value, DONE[one]) for one in VisitAction],
            "most_photos": MOST_PHOTOS,
            "most_mb": MOST_BYTES // 2**20,
            "note_most": NOTE_MOST,
        }
        status = 422 if wrong else 200
        return self._templates.TemplateResponse(request, "visit.html", context, status_code=status)


_TAKEN: Final = (
    "another visit with this action is logged for this moment and stays as it was; give another time if this is a "
    "second one"
)


def _typed(told: Mapping[str, str]) -> dict[str, str]:
    """Return what a person wrote, as the fields of the form hold it."""
    leak = told.get("leak", "")
    seen = leak if leak in {"", "no"} else "yes"
    where = "" if leak in {"", "no", "yes"} else leak
    return {**told, "time": told.get("time", "")[:16], "leak_seen": seen, "leak_where": where}


def _time(text: str) -> float | None:
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        return None
    return when.timestamp() if when.tzinfo is not None else None


def _asked(text: str) -> float | None:
    """Return the time of the visit that a proof is asked for, None for the last one."""
    if not text:
        return None
    time = _time(text.replace(" ", "+"))  # what an address makes of the sign of an offset
    if time is None:
        raise HTTPException(404, f"visit={text!r} is no time; write it like 2026-03-01T14:30:00Z")
    return time
