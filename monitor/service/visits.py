"""What people tell of a service visit, checked: one way in for command, form and JSON.

All that is wrong is said at once, field by field. Nothing is asked for that nobody may have looked at.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, TypeVar

from monitor import units
from monitor.errors import InputError
from monitor.service.settings.quantities import quantity
from monitor.site import Site, Visit, VisitAction

T = TypeVar("T")

FIELDS: Final = (
    "time", "action", "found", "precharge", "supply", "water_at_valve", "leak", "tank_volume", "who", "note",
)  # fmt: skip
"""Names of what can be told; each is text, empty or left out where nobody looked."""

WHO_MOST: Final = 80
LEAK_MOST: Final = 200
NOTE_MOST: Final = 2000

LEAK_SOMEWHERE: Final = "place not noted"

_AHEAD: Final = 300.0
"""Seconds that the clock of the person may be ahead."""

_HINT: Final = "; pressures are gauge: is the unit right (psi, bar, kPa, MPa)?"
_YES: Final = frozenset({"yes", "true", "1"})
_NO: Final = frozenset({"no", "none", "false", "0"})
_COMMA: Final = re.compile(r"\s*\d*,\d+\s*\D*")
_GAUGES: Final = (
    "the air charge as the visit left it, read on a gauge with the water side relieved; 0 if it held none"
)
_SAME: Final = 500.0  # Pa: what rounding in another unit makes of one reading


@dataclass(frozen=True, slots=True)
class Wrong:
    """One thing that is wrong: the field it stands in (empty where several do not go together), and why."""

    field: str
    why: str


class VisitError(InputError):
    """A visit that cannot be logged; ``problems`` holds all that is wrong with it."""

    def __init__(self, problems: Sequence[Wrong], name: Callable[[str], str] = str) -> None:
        super().__init__("; ".join(f"{name(one.field)} {one.why}".strip() for one in problems))
        self.problems = tuple(problems)

    def named(self, name: Callable[[str], str]) -> InputError:
        """Return the error with each field under the ``name`` that the reader knows it by."""
        return VisitError(self.problems, name)


def visit_of(site: Site, told: Mapping[str, str], now: float, *, photos: int = 0) -> Visit:
    """Return the visit that was told.

    Parameters
    ----------
    site : Site
        The site; a pressure without a unit is in its unit, and none may pass its relief setting.
    told : mapping
        Text by the names of `FIELDS`. ``time``: RFC 3339 with an offset, ``now`` if empty. ``leak``: where, or no.
    now : float
        The present. [epoch s]
    photos : int
        How many photos come with it; a visit that tells nothing else may be a picture.

    Raises
    ------
    VisitError
        If anything is wrong with it; names each field.
    """
    reader = _Reader(site, {name: text.strip() for name, text in told.items()}, now)
    visit = reader.visit()
    if not reader.wrong:
        reader.wrong += _mismatches(visit, photos)
    if reader.wrong:
        raise VisitError(reader.wrong)
    return visit


def local_time(text: str, zone: Callable[[datetime], datetime]) -> str:
    """Return a wall-clock time of a form as RFC 3339; ``zone`` puts it into the site's zone.

    What is no such time is returned as it is, to be refused by its name.
    """
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        return text
    return when.isoformat() if when.tzinfo is not None else zone(when).isoformat()


class _Reader:
    """Reads the fields of one visit and collects what is wrong with them."""

    def __init__(self, site: Site, told: Mapping[str, str], now: float) -> None:
        self._site, self._told, self._now = site, told, now
        self.wrong: list[Wrong] = [
            Wrong(name, f"is not known; known are {', '.join(FIELDS)}") for name in told if name not in FIELDS
        ]

    def visit(self) -> Visit:
        """Return what could be read."""
        action = self._read("action", self._action) or VisitAction.LOOKED
        found = self._read("found", lambda text: self._pressure(text, bounded=False))
        left = self._read("precharge", self._pressure)
        if action is VisitAction.GAUGED and left is None:
            left = found
        time = self._read("time", self._time)
        return Visit(
            time=self._now if time is None else time,
            action=action,
            precharge=left,
            supply=self._read("supply", self._pressure),
            water_at_valve=self._read("water_at_valve", _answer),
            found=None if action is VisitAction.GAUGED and _same(found, left) else found,
            leak=self._read("leak", _leak),
            tank_volume=self._read("tank_volume", _volume),
            who=self._read("who", lambda text: _line(text, WHO_MOST)) or "",
            note=self._read("note", _note) or "",
        )

    def _read(self, name: str, read: Callable[[str], T]) -> T | None:
        text = self._told.get(name, "")
        if not text and name != "action":
            return None
        try:
            return read(text)
        except ValueError as error:
            self.wrong.append(Wrong(name, f"{_shown(text)}: {error}"))
            return None

    def _action(self, text: str) -> VisitAction:
        try:
            return VisitAction(text.lower())
        except ValueError:
            raise ValueError(f"allowed: {', '.join(VisitAction)}") from None

    def _pressure(self, text: str, *, bounded: bool = True) -> float:
        text = _point(text)
        bare = text.replace(".", "", 1).isdigit()
        value = quantity("pressure", "0 bar", "10 bar", _HINT)(f"{text} {self._site.unit}" if bare else text)
        relief = self._site.relief
        if bounded and relief is not None and value > relief:
            setting = units.from_si(relief, self._site.unit)
            raise ValueError(
                f"above the relief setting of this site, {setting:.1f} {self._site.unit}, at which the relief valve "
                "opens; check the number, its unit, and the setting in the site file"
            )
        return value

    def _time(self, text: str) -> float:
        try:
            when = datetime.fromisoformat(text)
        except ValueError:
            raise ValueError("is no time; write it like 2026-03-01T14:30:00+01:00") from None
        if when.tzinfo is None:
            raise ValueError(f"has no offset; write it like {text}+00:00 or {text}Z")
        if not 0 <= when.timestamp() <= self._now + _AHEAD:
            raise ValueError("is not a time between 1970 and now")
        return when.timestamp()


def _mismatches(visit: Visit, photos: int) -> list[Wrong]:
    """Return what does not go together in a visit whose fields can each be read."""
    wrong = []
    if visit.action is VisitAction.GAUGED:
        if visit.precharge is None:
            wrong.append(Wrong("precharge", f"is needed for gauged: {_GAUGES}"))
        elif visit.found is not None:
            wrong.append(
                Wrong(
                    "found",
                    "and what was left differ, so the tank was not only gauged: the action is refilled",
                )
            )
    if visit.action is VisitAction.LOOKED:
        for name, value in (("found", visit.found), ("precharge", visit.precharge)):
            if value is not None:
                wrong.append(
                    Wrong(name, "was read on a gauge, so the action is gauged, refilled or replaced")
                )
        seen = (visit.supply, visit.water_at_valve, visit.leak, visit.note or None)
        if not photos and not wrong and all(one is None for one in seen):
            wrong.append(Wrong("", "there is nothing to log: tell what was seen or done"))
    if visit.tank_volume is not None and visit.action is not VisitAction.REPLACED:
        wrong.append(Wrong("tank_volume", "is that of a tank that was put in, so the action is replaced"))
    return wrong


def _same(one: float | None, other: float | None) -> bool:
    return one is not None and other is not None and abs(one - other) <= _SAME


def _answer(text: str) -> bool:
    if text.lower() in _YES:
        return True
    if text.lower() in _NO:
        return False
    raise ValueError("allowed: yes, no, or nothing where nobody looked")


def _leak(text: str) -> str:
    if text.lower() in _NO:
        return ""
    return LEAK_SOMEWHERE if text.lower() in _YES else _line(text, LEAK_MOST)


def _volume(text: str) -> float:
    text = _point(text)
    return quantity("volume", "0.1 L", "50 m3", ": the whole tank, as on its plate")(text)


def _point(text: str) -> str:
    """Return a number with a decimal point for a comma, as phones of many countries write it."""
    if not _COMMA.fullmatch(text):
        return text
    if re.search(r",\d{3}\b", text):
        raise ValueError("is this comma a decimal one or one of thousands? Write a point, or leave it out")
    return text.replace(",", ".")


def _line(text: str, most: int) -> str:
    text = " ".join(text.split())
    if len(text) > most or not text.isprintable():
        raise ValueError(f"allowed: at most {most} printable characters")
    return text


def _note(text: str) -> str:
    lines = text.replace("\r\n", "\n").split("\n")
    if len(text) > NOTE_MOST or not all(line.replace("\t", " ").isprintable() for line in lines):
        raise ValueError(f"allowed: at most {NOTE_MOST} printable characters, in lines")
    return "\n".join(line.rstrip() for line in lines)


def _shown(text: str) -> str:
    return repr(text) if len(text) <= 60 else f"{text[:60]!r}..."
