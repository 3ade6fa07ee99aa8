"""Joins what is told, and who tells it, to a running service."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from monitor.errors import StoreError
from monitor.service.ports import Board, Clock, MessageSource, ServiceHealth
from monitor.service.runner import Runner
from monitor.service.teller import Teller
from monitor.service.watching import WORKER, Watch, program_version
from monitor.web import told


def teller_of(
    board: Board, runner: Runner, watch: Watch, source: MessageSource, clock: Clock, page_clock: Clock
) -> Teller:
    """Return what tells the state of a service on its topics.

    Nothing is said of a site whose past is still being read, nor while the worker stands still: what was said
    then expires.
    """
    desks, version = runner.desks, program_version()

    def verdict(site: str) -> dict[str, Any] | None:
        desk, view = desks[site], board.site(site)
        if view is None or not (desk.live or desk.failure) or WORKER in watch.standing_still():
            return None
        return told.verdict(view, page_clock.now(), desk.failure)

    last = ServiceHealth(page_clock.now(), source.health(), 0, 0)

    def state() -> dict[str, Any]:
        nonlocal last
        try:
            last = board.health()
        except StoreError as error:  # what cannot be counted now was so the last time
            last = replace(last, problems=(str(error),))
        return told.state(last, version, watch.warnings())

    return Teller(tuple(desks), verdict, state, told.write, source.publish, clock)
