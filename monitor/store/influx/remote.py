"""One write to the database: taken, or an error that says what to do with the points."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from http.client import HTTPException
from pathlib import Path
from typing import Any, Final

from influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

_OF_THE_POINTS: Final = frozenset({400, 413, 422})
_WAIT: Final = frozenset({408, 425, 429})
_SHOWN: Final = 300
_LONGEST_ASKED: Final = 600.0


class RefusedError(Exception):
    """The points themselves were refused; the message is the reason."""


class AwayError(Exception):
    """Not now: no answer, or one that asks to come again; ``after``: not before that many seconds."""

    def __init__(self, reason: str, after: float = 0.0) -> None:
        super().__init__(reason)
        self.after = after


class WrongSettingsError(Exception):
    """The server will not take anything until its settings or ours are changed."""


@dataclass(frozen=True, slots=True)
class Target:
    """Where the copy goes. ``token`` reads it anew each time; ``timeout`` in seconds."""

    url: str
    organisation: str
    bucket: str
    token: Callable[[], str]
    timeout: float = 10.0
    ca: Path | None = None


class Remote:
    """Writes lines to one bucket. Not safe for two threads at once."""

    def __init__(self, target: Target) -> None:
        self._target = target
        self._client: InfluxDBClient | None = None
        self._api: Any = None
        self._token = ""

    def write(self, lines: Sequence[str]) -> None:
        """Write lines with times in microseconds; returns once the server has answered 2xx.

        Raises
        ------
        RefusedError, AwayError, WrongSettingsError
            What was answered. After each of them any of the lines may have been taken or not.
        """
        try:
            self._open().write(
                self._target.bucket,
                self._target.organisation,
                "\n".join(lines),
                write_precision="us",
            )
        except ApiException as error:
            raise self._judged(error) from None
        except (HTTPError, HTTPException, OSError) as error:
            self.close()
            raise AwayError(self._without_token(_cause(error))) from None
        except UnicodeDecodeError:  # a proxy's page; the library decodes it before it looks at the status
            self.close()
            raise AwayError("an answer that is no text: is it the database that answers there?") from None

    def close(self) -> None:
        """Release the connection; the next write opens another, with the token that the file then holds."""
        client, self._client = self._client, None
        if client is not None:
            client.close()

    def _open(self) -> Any:
        if self._client is None:
            target = self._target
            self._token = target.token()
            self._client = InfluxDBClient(
                target.url,
                self._token,
                org=target.organisation,
                timeout=round(target.timeout * 1000),
                enable_gzip=True,
                ssl_ca_cert=None if target.ca is None else str(target.ca),
            )
            self._api = self._client.write_api(write_options=SYNCHRONOUS)
        return self._api

    def _judged(self, error: ApiException) -> RefusedError | AwayError | WrongSettingsError:
        status = int(error.status or 0)
        reason = self._without_token(f"answer {status}: {_reason(error)}")
        if status in _OF_THE_POINTS:
            return RefusedError(reason)
        if status in _WAIT or status >= 500:
            return AwayError(reason, _asked(error))
        self.close()  # with the token that stands in the file at the next attempt
        return WrongSettingsError(reason)

    def _without_token(self, text: str) -> str:
        return text.replace(self._token, "(token)") if self._token else text


def _cause(error: Exception) -> str:
    """Return the innermost reason in a few words; what lies around it repeats addresses."""
    while isinstance(error.__cause__, Exception):
        error = error.__cause__
    words = " ".join(str(getattr(error, "strerror", None) or error).split())
    return f"{words or type(error).__name__}"[:_SHOWN]


def _reason(error: ApiException) -> str:
    body = error.body
    text = body.decode(errors="replace") if isinstance(body, bytes) else str(body or error.reason or "")
    try:
        told = json.loads(text)
    except ValueError:
        told = None
    if isinstance(told, dict):
        text = str(told.get("message") or told.get("error") or text)
    return " ".join(text.split())[:_SHOWN] or "no reason given"


def _asked(error: ApiException) -> float:
    headers: Any = error.headers or {}
    text = str(headers.get("Retry-After") or "")
    return min(float(text), _LONGEST_ASKED) if text.isdecimal() else 0.0
