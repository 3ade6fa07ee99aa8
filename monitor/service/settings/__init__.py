"""Settings: site files and the service file, read from TOML and checked before anything starts."""

from monitor.service.settings.problems import Problem, ProblemsError
from monitor.service.settings.sitefile import load_site

__all__ = ["Problem", "ProblemsError", "load_site"]
