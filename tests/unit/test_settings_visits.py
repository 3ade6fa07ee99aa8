"""The table ``[visits]`` of the service file."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor.service.settings import ProblemsError, load_service

SERVICE = 'data = "var"\nsites = "sites"\n[broker]\nhost = "127.0.0.1"\n'


def service(tmp_path: Path, more: str = "") -> Path:
    (tmp_path / "sites").mkdir()
    (tmp_path / "sites" / "mill.toml").write_text('id = "mill"\n')
    path = tmp_path / "service.toml"
    path.write_text(SERVICE + more)
    return path


def test_a_tank_is_watched_for_a_week_unless_it_is_said_otherwise(tmp_path: Path) -> None:
    assert load_service(service(tmp_path)).visits.watch == 7 * 86_400.0


def test_the_watch_may_be_longer(tmp_path: Path) -> None:
    assert load_service(service(tmp_path, '[visits]\nwatch = "14 d"\n')).visits.watch == 14 * 86_400.0


@pytest.mark.parametrize("text", ['"2 d"', '"61 d"', '"week"', "7"])
def test_a_watch_that_makes_no_sense_is_refused_by_its_line(tmp_path: Path, text: str) -> None:
    with pytest.raises(ProblemsError, match=r"service\.toml:6: visits\.watch"):
        load_service(service(tmp_path, f"[visits]\nwatch = {text}\n"))
