"""A program's address: alerts as JSON over HTTPS, signed after the Standard Webhooks specification.

Headers: ``webhook-id`` is the alert's key, the same again when it is repeated; ``webhook-timestamp`` the time of the
attempt; ``webhook-signature`` the HMAC-SHA256 of both and the body. A receiver refuses what is older than five
minutes and drops an id that it has had: then neither a repeat of ours nor a replay by somebody else does anything.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
from collections.abc import Callable
from typing import Any, Final
from urllib.parse import urlsplit

import urllib3

from monitor.alerting.machine_text import encode
from monitor.errors import DeliveryError, SettingsError
from monitor.service.ports import Alert, Clock

SCHEME: Final = "webhook+"
"""What stands before ``https://`` in the address of such a channel."""
SECRET_BEGINS: Final = "whsec_"  # noqa: S105  the specification's mark, no secret
LEAST_SECRET: Final = 24
"""Bytes of a secret, by the specification 24 to 64."""
MOST_SECRET: Final = 64
TIMEOUT: Final = 15.0
_LOOPBACK: Final = frozenset({"127.0.0.1", "::1", "localhost"})
_SHOWN: Final = 200
_READ: Final = 2000
"""Bytes of an answer that are read at most."""


def sign(secret: bytes, key: str, time: int, body: bytes) -> str:
    """Return the signature of a message. ``time``: epoch s. Standard Webhooks 1.0, symmetric (v1).

    >>> sign(b"0" * 24, "msg_1", 1674087231, b"{}")
    'v1,yLZ+eTzorJpgvCEx1oQEw/rzasCtLCDkrrYdYQxE8ns='
    """
    digest = hmac.new(secret, f"{key}.{time}.".encode() + body, hashlib.sha256).digest()
    return f"v1,{base64.b64encode(digest).decode()}"


def read_secret(text: str) -> bytes:
    """Return the key in a secret of the form ``whsec_<base64>``.

    Raises
    ------
    SettingsError
        If it is none, or too short to be safe; never shows it.
    """
    bare = text.strip()
    try:
        key = base64.b64decode(bare.removeprefix(SECRET_BEGINS), validate=True)
    except (binascii.Error, ValueError):
        key = b""
    if not bare.startswith(SECRET_BEGINS) or not LEAST_SECRET <= len(key) <= MOST_SECRET:
        raise SettingsError(
            f"the secret of a webhook must be {SECRET_BEGINS} and then {LEAST_SECRET} to {MOST_SECRET} random bytes in "
            f"base64 (it is not shown); make one with: echo {SECRET_BEGINS}$(head -c 32 /dev/urandom | base64)"
        )
    return key


class WebhookChannel:
    """Posts the JSON document of each alert to one address.

    Parameters
    ----------
    name : str
        Name in the settings; safe to show.
    url : str
        ``webhook+https://...``; plain ``webhook+http://`` on the loopback address only.
    secret : Callable[[], str]
        Reads the secret anew each time, so that a changed file counts at once.
    clock : Clock
        Gives the time that is signed.

    Raises
    ------
    SettingsError
        If the address or the secret cannot be used.
    """

    def __init__(
        self, name: str, url: str, secret: Callable[[], str], clock: Clock, *, timeout: float = TIMEOUT
    ) -> None:
        self._name = name
        self._url = _checked(name, url)
        self._secret = secret
        self._clock = clock
        # No redirect: the answer of a stranger must not send alerts elsewhere. The outbox repeats.
        self._pool = urllib3.PoolManager(
            num_pools=1, retries=False, timeout=urllib3.Timeout(connect=timeout, read=timeout)
        )
        read_secret(secret())

    @property
    def name(self) -> str:
        """Name given in the settings."""
        return self._name

    def send(self, alert: Alert) -> None:
        """Post; `DeliveryError` unless the answer is 2xx."""
        body = encode(alert, _document(alert))
        now = int(self._clock.now())
        headers = {
            "Content-Type": "application/json",
            "User-Agent": "cushionwatch",
            "webhook-id": alert.key,
            "webhook-timestamp": str(now),
            "webhook-signature": sign(self._key(), alert.key, now, body),
        }
        try:
            answer = self._pool.request(
                "POST", self._url, body=body, headers=headers, redirect=False, preload_content=False
            )
            try:
                said = answer.read(_READ).decode(errors="replace")
            finally:
                answer.close()
        except urllib3.exceptions.HTTPError as error:
            raise DeliveryError(f"{self._name}: no answer ({type(error).__name__})") from error
        if not 200 <= answer.status < 300:
            shown = " ".join(said.split())[:_SHOWN]
            raise DeliveryError(f"{self._name}: answered {answer.status} {shown!r}")

    def _key(self) -> bytes:
        try:
            return read_secret(self._secret())
        except SettingsError as error:
            raise DeliveryError(f"{self._name}: {error}") from error

    def __repr__(self) -> str:
        return f"WebhookChannel({self._name!r})"


def _document(alert: Alert) -> dict[str, Any]:
    """Return the document in an alert; one that has text alone (a test, a digest) is told as such."""
    try:
        found = json.loads(alert.body)
    except ValueError:
        found = None
    if isinstance(found, dict) and "form" in found:
        return found
    return {
        "form": "cushionwatch.notice.1",
        "title": alert.title,
        "text": alert.body,
        "severity": alert.severity,
    }


def _checked(name: str, url: str) -> str:
    """Return the address to post to; `SettingsError` where secrets could be read on the way."""
    parts = urlsplit(url.removeprefix(SCHEME))
    local = parts.hostname in _LOOPBACK
    if not parts.hostname or parts.scheme not in {"https", "http"} or (parts.scheme == "http" and not local):
        raise SettingsError(
            f"alert channel {name!r}: a webhook's url must begin with {SCHEME}https:// and name a host "
            f"({SCHEME}http:// for this machine itself alone); it is not shown, for it may hold secrets"
        )
    return parts.geturl()
