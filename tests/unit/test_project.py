"""Guards over the project itself: what installs, what it is called, what lies at the top."""

from __future__ import annotations

import re
import subprocess
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.version import Version

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
LOCKS = ("requirements.lock", "requirements-dev.lock")
TOP_LEVEL = {
    *("README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", *LOCKS),
    *("monitor", "simulator", "config", "deploy", "tests"),
}
PIN = re.compile(r"(?P<name>[a-z0-9-]+)==(?P<version>[^ ;]+)(?: ; (?P<marker>[^\\]+?))? \\")


def plain(name: str) -> str:
    """Return the normal form of a package's name (PyPA name normalization)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def pins(lock: str) -> dict[str, set[Version]]:
    """Return what a lock file pins: more than one version where it depends on the interpreter."""
    found: dict[str, set[Version]] = {}
    for line in (ROOT / lock).read_text().splitlines():
        if match := PIN.fullmatch(line):
            found.setdefault(match["name"], set()).add(Version(match["version"]))
    return found


def tracked() -> list[str]:
    listing = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
    return listing.stdout.splitlines()


def test_the_lock_files_hold_nothing_but_pins_with_hashes() -> None:
    """No address of an index either: where packages come from is the business of who installs them."""
    hash_line = re.compile(r" {4}--hash=sha256:[0-9a-f]{64}(?: \\)?")
    for lock in LOCKS:
        for line in (ROOT / lock).read_text().splitlines():
            assert PIN.fullmatch(line) or hash_line.fullmatch(line), f"{lock}: {line}"


@pytest.mark.parametrize(
    ("lock", "extras"), [("requirements.lock", ["build"]), ("requirements-dev.lock", ["build", "dev"])]
)
def test_the_lock_file_covers_what_the_project_asks_for(lock: str, extras: list[str]) -> None:
    asked = [*PROJECT["dependencies"], *(r for e in extras for r in PROJECT["optional-dependencies"][e])]
    locked = pins(lock)
    for requirement in map(Requirement, asked):
        versions = locked.get(plain(requirement.name))
        assert versions, f"{lock} lacks {requirement.name}: refresh it as DEVELOPERS.md says"
        for version in versions:
            assert version in requirement.specifier, f"{lock} pins {requirement.name} {version}"


def test_both_lock_files_pin_the_same_versions() -> None:
    """So that the demo's environment and that of the tests can be one."""
    run, check = (pins(lock) for lock in LOCKS)
    assert run == {name: check.get(name) for name in run}


def test_the_top_level_has_only_the_names_that_were_agreed() -> None:
    visible = {name.split("/")[0] for name in tracked() if not name.startswith(".")}
    assert visible <= TOP_LEVEL


def test_the_installed_distribution_is_this_source() -> None:
    assert metadata.version("cushionwatch") == PROJECT["version"]


def test_the_command_is_installed_and_can_be_loaded() -> None:
    (command,) = metadata.entry_points(group="console_scripts", name="cushionwatch")
    assert command.value == PROJECT["scripts"]["cushionwatch"]
    assert callable(command.load())


@pytest.mark.parametrize("script", ["deploy/demo", "tests/run"])
def test_the_readme_gives_the_two_commands_that_set_everything_up(script: str) -> None:
    assert f"sh {script}" in (ROOT / "README.md").read_text()
    subprocess.run(["sh", "-n", ROOT / script], check=True)


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_files_that_a_page_names_exist(page: str) -> None:
    path = r"(?<![\w/.-])(?:monitor|simulator|tests|deploy|config)/(?:[\w./-]*\w)?"
    named = re.findall(path, (ROOT / page).read_text())
    assert named
    assert [name for name in named if not (ROOT / name).exists()] == []


def test_the_map_names_every_room() -> None:
    rooms = {"/".join(Path(name).parts[:2]) for name in tracked() if name.startswith(("monitor/", "tests/"))}
    text = (ROOT / "DEVELOPERS.md").read_text()
    assert [room for room in sorted(rooms) if (ROOT / room).is_dir() and f"`{room}`" not in text] == []


def test_ci_runs_the_checks_as_the_readme_gives_them() -> None:
    lines = (ROOT / ".ci" / "run").read_text().splitlines()
    assert lines[0] == "#!/usr/bin/env bash"
    assert lines[-1] == "sh tests/run"
