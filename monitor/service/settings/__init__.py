"""Settings: site files and the service file, read from TOML and checked before anything starts."""

from monitor.service.settings.alertsfile import ChannelTable, PersonTable, RuleTable
from monitor.service.settings.load import ServiceSettings, check_config, load_service
from monitor.service.settings.problems import Problem, ProblemsError
from monitor.service.settings.servicefile import BrokerTable, StoreTable, TlsTable, WebTable
from monitor.service.settings.sitefile import load_site
from monitor.service.settings.topics import DEFAULT_TOPICS, ScaleTable, TopicTable

__all__ = [
    "DEFAULT_TOPICS",
    "BrokerTable",
    "ChannelTable",
    "PersonTable",
    "Problem",
    "ProblemsError",
    "RuleTable",
    "ScaleTable",
    "ServiceSettings",
    "StoreTable",
    "TlsTable",
    "TopicTable",
    "WebTable",
    "check_config",
    "load_service",
    "load_site",
]
