"""The service file: where data goes, which broker, which topics, which page, whom to alert."""

from __future__ import annotations

import math
import re
from typing import Annotated, Final, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from monitor.service.settings.alertsfile import AlertsTable, BaseUrl, People
from monitor.service.settings.copyfile import CopyTable
from monitor.service.settings.files import ExistingFile, ExistingFolder, NewFolder, SecretFile, read_secret
from monitor.service.settings.problems import Table, refuse
from monitor.service.settings.quantities import SiteId, not_empty, quantity
from monitor.service.settings.topics import DEFAULT_TOPICS, TopicTable
from monitor.service.settings.visitsfile import VisitsTable

_HOST = re.compile(r"[A-Za-z0-9._:%-]{1,253}")


def _host(text: str) -> str:
    if not _HOST.fullmatch(text) or text.count(":") == 1:
        raise refuse(
            "allowed: a host name or address alone, without '://' and port, like 'broker.example.org'"
        )
    return text


def _protocol(value: object) -> object:
    return str(value) if type(value) is int else value  # 5 without quotes is clear enough


Host = Annotated[str, AfterValidator(_host)]
Port = Annotated[int, Field(strict=True, ge=1, le=65535)]
KeepAlive = Annotated[float, BeforeValidator(quantity("duration", "5 s", "1 h"))]
SessionExpiry = Annotated[float, BeforeValidator(quantity("duration", "1 min", "365 d"))]
Flag = Annotated[bool, Field(strict=True)]

_FOR_EVER: Final = 0.0
_LEAST_KEPT: Final = 30 * 86400.0  # a start analyses all readings that are kept: a month tells a trend


def _kept(text: object) -> float:
    span = quantity("duration", "0 d", "36500 d", "; 0 d keeps for ever")(text)
    if _FOR_EVER < span < _LEAST_KEPT:
        raise refuse(
            "allowed: 0 d, which keeps for ever, or 30 d and more: each start learns from what is kept"
        )
    return span


Kept = Annotated[float, BeforeValidator(_kept)]
Megabytes = Annotated[int, Field(strict=True, ge=0, le=10_000)]


class TlsTable(Table):
    """``[broker.tls]``: certificates are always checked; without ``ca`` against the system's authorities."""

    ca: ExistingFile | None = None
    certificate: ExistingFile | None = None
    key: ExistingFile | None = None

    @model_validator(mode="after")
    def _certificate_and_key_go_together(self) -> Self:
        if (self.certificate is None) is not (self.key is None):
            missing = "certificate" if self.certificate is None else "key"
            raise refuse(f"certificate and key go together: {missing} is missing")
        return self


class BrokerTable(Table):
    """``[broker]``: how to reach the MQTT broker. TLS where there is a ``tls`` table or the port is 8883."""

    host: Host
    port: Port | None = None
    protocol: Annotated[Literal["5", "3.1.1"], BeforeValidator(_protocol)] = "5"
    client_id: SiteId = "cushionwatch"
    username: Annotated[str, Field(min_length=1, max_length=1000)] | None = None
    password_file: SecretFile | None = None
    keep_alive: KeepAlive = 60.0
    session_expiry: SessionExpiry = 7 * 86400.0
    check_queue: Flag = True
    tls: TlsTable | None = None

    @model_validator(mode="after")
    def _password_has_a_user(self) -> Self:
        if self.password_file is not None and self.username is None:
            raise refuse("password_file needs username", at=("password_file",))
        return self

    @property
    def uses_tls(self) -> bool:
        """Return whether the connection is encrypted."""
        return self.tls is not None or self.port == 8883

    @property
    def port_number(self) -> int:
        """Return the port: as given, else the standard one (8883 with TLS, 1883 without)."""
        return self.port if self.port is not None else 8883 if self.uses_tls else 1883

    def password(self) -> str | None:
        """Return the password; read anew each time, so that a changed file counts at the next start."""
        return read_secret(self.password_file) if self.password_file is not None else None


class StoreTable(Table):
    """``[store]``: for how long readings and their roll-ups by minute and hour are kept [s]; 0 is for ever."""

    readings: Kept = _FOR_EVER
    minutes: Kept = _FOR_EVER
    hours: Kept = _FOR_EVER
    ballast_mb: Megabytes = 16

    @model_validator(mode="after")
    def _what_is_coarse_is_kept_for_longer(self) -> Self:
        for fine, coarse in (("readings", "minutes"), ("minutes", "hours")):
            short, long = (getattr(self, name) or math.inf for name in (fine, coarse))
            if long < short:
                raise refuse(f"{coarse} must be kept at least as long as {fine}", at=(coarse,))
        return self


class WebTable(Table):
    """``[web]``: the page. ``address``: where people reach it, for links in alerts."""

    enabled: Flag = True
    host: Host = "127.0.0.1"
    port: Port = 8080
    address: BaseUrl | None = None


class LogTable(Table):
    """``[log]``: how much is logged, and whether for people or for programs."""

    format: Literal["text", "json"] = "text"
    level: Literal["debug", "info", "warning", "error"] = "info"


class ServiceTable(Table):
    """A whole service file; paths are relative to it."""

    data: NewFolder
    sites: ExistingFolder
    broker: BrokerTable
    store: StoreTable = StoreTable()
    timeseries: CopyTable | None = None
    topics: Annotated[tuple[TopicTable, ...], AfterValidator(not_empty)] = DEFAULT_TOPICS
    web: WebTable = WebTable()
    visits: VisitsTable = VisitsTable()
    log: LogTable = LogTable()
    alerts: AlertsTable = AlertsTable()
    people: People = Field(default_factory=dict)
