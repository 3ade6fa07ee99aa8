"""Signed tickets: whoever holds one may do one act to one event, until it expires. Pure; secret and time come in.

A ticket is no password: it opens nothing but its own act, and acknowledging twice changes nothing.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
from dataclasses import dataclass
from typing import Final

from monitor.errors import InputError

HOLDS: Final = 14 * 86400.0
"""How long a ticket holds: the longest time to respond of what is told at once. [s]"""

_PURPOSE: Final = b"cushionwatch acknowledge 1\n"
_LONGEST: Final = 400


@dataclass(frozen=True, slots=True)
class Ticket:
    """Recipient ``who`` may acknowledge ``event`` until ``expires`` (epoch s)."""

    event: int
    who: str
    expires: float


def issue(secret: bytes, ticket: Ticket) -> str:
    """Return a ticket as text for an address."""
    body = json.dumps([ticket.event, ticket.who, int(ticket.expires)], separators=(",", ":")).encode()
    return f"{_text(body)}.{_text(_seal(secret, body))}"


def check(secret: bytes, text: str, now: float) -> Ticket:
    """Return the ticket in a text.

    Raises
    ------
    InputError
        If it was not issued with this secret, was changed, or has expired by ``now`` (epoch s).
    """
    body, _, seal = text.partition(".")
    try:
        if len(text) > _LONGEST or not hmac.compare_digest(_bytes(seal), _seal(secret, _bytes(body))):
            raise InputError("this link was not made here, or only a part of it arrived: copy all of it")
        event, who, expires = json.loads(_bytes(body))
    except (binascii.Error, ValueError) as error:
        raise InputError(
            "this link was not made here, or only a part of it arrived: copy all of it"
        ) from error
    if now > expires:
        raise InputError("this link has expired: acknowledge the event on the page of its site")
    return Ticket(event, who, expires)


def _seal(secret: bytes, body: bytes) -> bytes:
    return hmac.digest(secret, _PURPOSE + body, hashlib.sha256)


def _text(body: bytes) -> str:
    return base64.urlsafe_b64encode(body).rstrip(b"=").decode()


def _bytes(text: str) -> bytes:
    return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
