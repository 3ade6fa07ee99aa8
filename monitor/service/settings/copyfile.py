"""``[timeseries]``: a time-series database that gets a copy of readings, air charge, verdicts and events."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import urlsplit

from pydantic import AfterValidator, BeforeValidator, Field

from monitor.service.settings.files import ExistingFile, SecretFile, read_secret
from monitor.service.settings.problems import Table, refuse
from monitor.service.settings.quantities import quantity


def _address(text: str) -> str:
    try:
        parts = urlsplit(text)
        usable = parts.scheme in {"http", "https"} and parts.hostname and parts.port != 0
    except ValueError:
        usable = False
    if not usable or parts.username is not None or parts.query or parts.fragment or not text.isprintable():
        raise refuse(
            "allowed: the address of the database alone, like 'https://db.example.org:8086', without user, "
            "password and query; the token goes into token_file"
        )
    return text.rstrip("/")


Address = Annotated[str, AfterValidator(_address)]
Name = Annotated[str, Field(min_length=1, max_length=200)]
Patience = Annotated[float, BeforeValidator(quantity("duration", "1 s", "5 min"))]
Hours = Annotated[int, Field(strict=True, ge=1000, le=10_000_000)]


class CopyTable(Table):
    """Where the copy goes, and how much may be owed to it."""

    url: Address
    bucket: Name
    organisation: Annotated[str, Field(max_length=200)] = ""
    token_file: SecretFile | None = None
    ca: ExistingFile | None = None
    timeout: Patience = 10.0
    owe_at_most: Hours = 200_000

    def token(self) -> str:
        """Return the token, read anew each time so that a changed one needs no restart; never log it."""
        return read_secret(self.token_file) if self.token_file is not None else ""
