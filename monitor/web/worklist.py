"""Addresses of the work list: JSON, CSV and a calendar feed."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI, Response

from monitor.service.ports import Board, Clock
from monitor.service.worklist import Job, work_list
from monitor.web.jobs import as_calendar, as_csv, as_rows


class WorkList:
    """The routes. ``watch``: for how long a tank is watched after a visit. [s]."""

    def __init__(self, board: Board, clock: Clock, watch: float) -> None:
        self._board = board
        self._clock = clock
        self._watch = watch

    def add_to(self, app: FastAPI) -> None:
        """Register the routes."""
        app.add_api_route("/api/worklist", self.api, methods=["GET"])
        app.add_api_route("/worklist.csv", self.table, methods=["GET"])
        app.add_api_route("/visits.ics", self.calendar, methods=["GET"])

    def api(self, customer: str | None = None) -> list[dict[str, Any]]:
        """Return the jobs as JSON, the most pressing first."""
        return as_rows(self._jobs(customer))

    def table(self, customer: str | None = None) -> Response:
        """Return the jobs as a table for spreadsheets."""
        return _file(as_csv(self._jobs(customer)).encode(), "text/csv; charset=utf-8", "worklist.csv")

    def calendar(self, customer: str | None = None) -> Response:
        """Return the jobs that have a date as a calendar."""
        feed = as_calendar(self._jobs(customer), self._clock.now())
        return _file(feed, "text/calendar; charset=utf-8", "visits.ics")

    def _jobs(self, customer: str | None) -> list[Job]:
        views = [view for view in self._board.sites() if customer in {None, view.site.customer}]
        return work_list(views, self._clock.now(), length=self._watch)


def _file(content: bytes, kind: str, name: str) -> Response:
    return Response(
        content, media_type=kind, headers={"Content-Disposition": f'attachment; filename="{name}"'}
    )
