"""Loads the service file with all of its site files, and tells everything that is wrong with any of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from pydantic import ValidationError

from monitor.service.settings.alertsfile import AlertsTable, ChannelTable, PersonTable, check_names
from monitor.service.settings.copyfile import CopyTable
from monitor.service.settings.problems import Problem, ProblemsError, explain, line_of, show_key
from monitor.service.settings.servicefile import (
    BrokerTable,
    LogTable,
    ServiceTable,
    StoreTable,
    WebTable,
)
from monitor.service.settings.sitefile import load_site
from monitor.service.settings.toml import Document, read_toml
from monitor.service.settings.topics import TopicTable
from monitor.service.settings.visitsfile import VisitsTable
from monitor.site import Site


@dataclass(frozen=True, slots=True)
class ServiceSettings:
    """Everything that the service needs to know at its start; paths are resolved, sites keyed by id."""

    file: Path
    data: Path
    sites_folder: Path
    sites: Mapping[str, Site]
    broker: BrokerTable
    store: StoreTable
    timeseries: CopyTable | None
    topics: tuple[TopicTable, ...]
    web: WebTable
    visits: VisitsTable
    log: LogTable
    alerts: AlertsTable
    people: Mapping[str, PersonTable]

    @property
    def channels(self) -> Mapping[str, ChannelTable]:
        """Return the ways out that take every alert."""
        return self.alerts.channels


def load_service(path: Path) -> ServiceSettings:
    """Return the settings in a service file; `ProblemsError` tells all that is wrong in any of the files."""
    document = read_toml(path)
    problems: list[Problem] = []
    table = None
    try:
        table = ServiceTable.model_validate(document.values, context={"base": path.parent})
    except ValidationError as exc:
        problems += explain(exc, ServiceTable, path, document.lines)
    folder = table.sites if table else _folder_of(document)
    sites = _load_sites(folder, problems) if folder else {}
    if table is not None:
        problems += _unknown_sites(document, table, sites)
        problems += _unknown_people(document, table, sites)
    if problems or table is None:
        raise ProblemsError(problems)
    return ServiceSettings(
        file=path,
        data=table.data,
        sites_folder=table.sites,
        sites=MappingProxyType(sites),
        broker=table.broker,
        store=table.store,
        timeseries=table.timeseries,
        topics=table.topics,
        web=table.web,
        visits=table.visits,
        log=table.log,
        alerts=table.alerts,
        people=MappingProxyType(dict(table.people)),
    )


def check_config(path: Path) -> list[Problem]:
    """Return all that is wrong with a service file and its site files; nothing if it can be used."""
    try:
        load_service(path)
    except ProblemsError as exc:
        return list(exc.problems)
    return []


def _folder_of(document: Document) -> Path | None:
    """Return the folder of sites of a service file that has other problems, so that all are told at once."""
    name = document.values.get("sites")
    folder = document.file.parent / name if isinstance(name, str) and "\0" not in name else None
    return folder if folder and folder.is_dir() else None


def _load_sites(folder: Path, problems: list[Problem]) -> dict[str, Site]:
    """Return the sites in a folder by id; what is wrong with them is added to ``problems``."""
    sites: dict[str, Site] = {}
    files: dict[str, Path] = {}
    found = sorted(folder.glob("*.toml"))
    if not found:
        problems.append(
            Problem(folder, None, "", "", "no site file (*.toml) in this folder: at least one is needed")
        )
    for file in found:
        try:
            site = load_site(file)
        except ProblemsError as exc:
            problems += exc.problems
            continue
        if site.id in sites:
            line = line_of(("id",), read_toml(file).lines)
            taken = f"{files[site.id]} has this id already; each site needs its own"
            problems.append(Problem(file, line, "id", repr(site.id), taken))
        sites[site.id], files[site.id] = site, file
    return sites


def _unknown_sites(document: Document, table: ServiceTable, sites: Mapping[str, Site]) -> list[Problem]:
    """Return topics that name a site for which there is no file."""
    known = ", ".join(sites) or "none"
    return [
        Problem(
            document.file,
            line_of(("topics", index, "site"), document.lines),
            show_key(("topics", index, "site")),
            repr(topic.site),
            f"there is no such site; known: {known}",
        )
        for index, topic in enumerate(table.topics)
        if topic.site is not None and topic.site not in sites
    ]


def _unknown_people(document: Document, table: ServiceTable, sites: Mapping[str, Site]) -> list[Problem]:
    """Return rules that name somebody or something that there is not."""
    customers = {site.id: site.customer for site in sites.values()}
    return [
        Problem(document.file, line_of(key, document.lines), show_key(key), read, allowed)
        for key, read, allowed in check_names(table.alerts, table.people, customers)
    ]
