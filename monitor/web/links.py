"""Signed links of alerts: looking at one does nothing, its button acknowledges one event.

Scanners of mail fetch every link that they see; so the link shows a page, and only the form on it acts.
"""

from __future__ import annotations

from pathlib import Path

from fastapi import FastAPI, HTTPException, Request, Response
from fastapi.responses import HTMLResponse
from fastapi.templating import Jinja2Templates

from monitor.errors import InputError
from monitor.service.ports import Board, Clock
from monitor.service.tickets import Ticket, check


class Links:
    """The routes ``/acknowledge/TICKET``. ``secret`` None: there are no links, each is refused."""

    def __init__(self, board: Board, clock: Clock, secret: bytes | None) -> None:
        self._board = board
        self._clock = clock
        self._secret = secret
        self._templates = Jinja2Templates(directory=Path(__file__).parent / "templates")

    def add_to(self, app: FastAPI) -> None:
        """Register the routes."""
        app.add_api_route("/acknowledge/{ticket}", self.show, methods=["GET"], response_class=HTMLResponse)
        app.add_api_route("/acknowledge/{ticket}", self.act, methods=["POST"], response_class=HTMLResponse)

    def show(self, request: Request, ticket: str) -> Response:
        """Show what the button would acknowledge."""
        return self._page(request, self._ticket(ticket), done=False)

    def act(self, request: Request, ticket: str) -> Response:
        """Acknowledge the event of the ticket, in the name of whom it was sent to."""
        found = self._ticket(ticket)
        if self._board.acknowledge(found.event, found.who) is None:
            raise HTTPException(404, f"there is no event {found.event}")
        return self._page(request, found, done=True)

    def _ticket(self, text: str) -> Ticket:
        if self._secret is None:
            raise HTTPException(404, "links in alerts are not switched on here")
        try:
            return check(self._secret, text, self._clock.now())
        except InputError as error:
            raise HTTPException(403, str(error)) from error

    def _page(self, request: Request, ticket: Ticket, *, done: bool) -> Response:
        return self._templates.TemplateResponse(request, "link.html", {"ticket": ticket, "done": done})
