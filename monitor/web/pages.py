"""The routes: what is asked for, and what the templates get."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any, Final

from fastapi import FastAPI, HTTPException, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse
from fastapi.templating import Jinja2Templates

from monitor.diagnosis.watchweek import WEEK
from monitor.service.ports import Board, Clock, SiteView
from monitor.service.urgency import last_heard
from monitor.web import machine, pictures, rows, views, words, works
from monitor.web.charts import Chart
from monitor.web.visits.book import followup
from monitor.web.visits.routes import VisitPages

SPANS: Final = {"day": 1.0, "week": 7.0, "month": 30.0, "all": 36500.0}


class Pages:
    """The routes, on one board and one clock. Not async: the board may wait for the disk.

    ``visit_watch``: for how long a tank is watched after a visit. [s].
    """

    def __init__(self, board: Board, clock: Clock, visit_watch: float = WEEK) -> None:
        self._board = board
        self._clock = clock
        self._visit_watch = visit_watch
        self._templates = Jinja2Templates(directory=Path(__file__).parent / "templates")
        self._templates.env.trim_blocks = self._templates.env.lstrip_blocks = True

    def add_to(self, app: FastAPI) -> None:
        """Register the routes."""
        page: dict[str, Any] = {"response_class": HTMLResponse, "methods": ["GET"]}
        app.add_api_route("/", self.overview, **page)
        app.add_api_route("/parts/overview", self.overview_part, **page)
        app.add_api_route("/sites/{site_id}", self.site, **page)
        app.add_api_route("/parts/sites/{site_id}", self.site_part, **page)
        app.add_api_route("/api/sites", self.api_sites, methods=["GET"])
        VisitPages(self._board, self._clock, self._templates, self._visit_watch).add_to(app)

    def overview(self, request: Request) -> Response:
        """Show all sites, most urgent first."""
        return self._templates.TemplateResponse(request, "overview.html", self._overview())

    def overview_part(self, request: Request) -> Response:
        """Return what changes on the overview."""
        return self._part(request, "overview_part.html", self._overview())

    def site(self, request: Request, site_id: str, span: str = "week") -> Response:
        """Show one site."""
        return self._templates.TemplateResponse(request, "site.html", self._site(site_id, span))

    def site_part(self, request: Request, site_id: str, span: str = "week") -> Response:
        """Return what changes on the page of a site."""
        return self._part(request, "site_part.html", self._site(site_id, span))

    def api_sites(self) -> Response:
        """Return all sites for other programs: kPa gauge, UTC."""
        return JSONResponse([self._machine(view) for view in self._board.sites()])

    def problem(self, request: Request, status: int, text: str) -> Response:
        """Say what is wrong: to people as a page, to programs as JSON."""
        if request.url.path.startswith("/api/"):
            return JSONResponse({"error": text}, status)
        return self._templates.TemplateResponse(request, "problem.html", {"title": text}, status_code=status)

    # ---- what the templates get

    def _part(self, request: Request, name: str, context: dict[str, Any]) -> Response:
        """Return a part of a page, or 304 where the reader has it already."""
        response = self._templates.TemplateResponse(request, name, context)
        tag = f'"{hashlib.blake2b(response.body, digest_size=12).hexdigest()}"'
        if request.headers.get("if-none-match") == tag:
            return Response(status_code=304, headers={"ETag": tag})
        response.headers["ETag"] = tag
        return response

    def _overview(self) -> dict[str, Any]:
        now = self._clock.now()
        seen = self._board.sites()
        glances = [rows.row(view, now) for view in seen]
        return {
            "groups": works.groups(seen, now),
            "work_now": works.everywhere(seen, now),
            "rows": glances,
            "summary": rows.summary(glances),
            "health": self._board.health(),
        }

    def _site(self, site_id: str, span: str) -> dict[str, Any]:
        view = self._board.site(site_id)
        if view is None:
            raise HTTPException(404, f"there is no site {site_id!r}")
        span = span if span in SPANS else "week"
        now = self._clock.now()
        return {
            "row": rows.row(view, now),
            "events": views.events(view, self._board.changes, open_now=True),
            "outs": works.outs(view, now),
            "points": works.POINTS,
            "past": views.events(view, self._board.changes, open_now=False),
            "readings": views.readings(view, now),
            "settings": views.settings(view.site),
            "peak": views.peak(view.site, view.report),
            "charge": pictures.drawn(pictures.air_charge(view.site, view.report, view.visits)),
            "daily": _daily(view),
            "pressure": pictures.drawn(self._pressure(view, span)),
            "followup": followup(view, now, self._visit_watch),
            "span": span,
            "spans": list(SPANS),
            "health": self._board.health(),
        }

    def _pressure(self, view: SiteView, span: str) -> Chart | None:
        end = last_heard(view)
        if end is None:
            return None
        start = end - SPANS[span] * words.DAY
        time, kpa = self._board.pressure(view.site.id, start, end + 1.0, pictures.POINTS)
        return pictures.line_pressure(view.site, time, kpa, view.report.findings)

    def _machine(self, view: SiteView) -> dict[str, Any]:
        found = machine.report(view.report)
        glance = rows.row(view, self._clock.now())
        latest = {
            point.value: {"time": machine.rfc3339(reading.time), "value": machine.number(reading.value)}
            for point, reading in view.latest.items()
        }
        return {
            "site": view.site.id,
            "name": view.site.name,
            "verdict": "blind" if glance.state == "silent" else glance.state,
            "why": " ".join(part for part in (glance.present, glance.why) if part),
            "windows": view.report.windows,
            "air_charge": found["air_charge"][-1] if found["air_charge"] else None,
            "worst_case_peak_kpa": found["worst_case_peak_kpa"],
            "forecast": found["forecast"],
            "findings": [one for one in found["findings"] if one["ended"] is None],
            "latest": latest,
        }


def _daily(view: SiteView) -> list[tuple[str, str, str]]:
    """Return the table behind the air-charge chart: the last estimate of each day, newest first."""
    zone, unit = view.site.timezone, view.site.unit
    if views.weighed(view.report) is None:
        return []
    days = {words.date(one.time, zone): one for one in view.report.air_charge}
    rows = [(day, words.air(one, unit), words.interval(one, unit)) for day, one in days.items()]
    return rows[::-1]
