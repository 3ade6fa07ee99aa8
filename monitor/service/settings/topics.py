"""``[[topics]]``: which messages carry readings, and where in a payload a reading stands."""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, model_validator

from monitor import units
from monitor.errors import InputError
from monitor.readings import Point, default_topic
from monitor.service.settings.problems import Table, refuse
from monitor.service.settings.quantities import SiteId, not_empty

TimeFormat = Literal["auto", "rfc3339", "s", "ms", "us", "none"]

POINT_KINDS = {Point.PRESSURE: "pressure", Point.HEATER: "power", Point.TEMPERATURE: "temperature"}
"""Kind of quantity of each point, a key of ``monitor.units.KINDS``."""

_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_PATH = re.compile(r"\.|(?:[^.\[\]\s][^.\[\]]*|\[-?\d+\])(?:\.[^.\[\]\s][^.\[\]]*|\[-?\d+\])*")
_RANGE = re.compile(
    r"(?P<low>-?\d+(?:\.\d+)?)\s*(?:-|to)\s*(?P<high>-?\d+(?:\.\d+)?)\s*(?P<unit>mA|V|mV|counts)"
)


def _json_path(text: str) -> str:
    if not _PATH.fullmatch(text):
        raise refuse("allowed: a path like 'state.sensors[0].value', or '.' for the payload itself")
    return text


def _topic(text: str) -> str:
    levels = text.split("/")
    if not text or "\0" in text or len(text.encode(errors="replace")) > 65535 or text.startswith("$share/"):
        raise refuse("allowed: an MQTT topic filter of 1 to 65535 bytes, not shared, without zero characters")
    if "#" in text and (text.count("#") > 1 or levels[-1] != "#"):
        raise refuse("allowed: '#' alone as the last level")
    if any("+" in level and level != "+" for level in levels):
        raise refuse("allowed: '+' alone in its level")
    names = _PLACEHOLDER.findall(text)
    if not set(names) <= {"site", "point"} or len(set(names)) < len(names) or "{}" in text:
        raise refuse("allowed placeholders: {site} and {point}, each once")
    return text


JsonPath = Annotated[str, AfterValidator(_json_path)]
TopicFilter = Annotated[str, AfterValidator(_topic)]
Words = Annotated[tuple[str, ...], AfterValidator(not_empty)]


class ScaleTable(Table):
    """``scale``: a transducer's raw signal and the values at both of its ends."""

    input: str
    low: str
    high: str

    @property
    def span(self) -> tuple[float, float, str]:
        """Return both ends of the signal and its unit; ``input`` has been checked before."""
        match = _RANGE.fullmatch(self.input.strip())
        if match is None:
            raise InputError(f"{self.input!r} is no signal range")
        return float(match["low"]), float(match["high"]), match["unit"]

    @model_validator(mode="after")
    def _input_is_a_range(self) -> Self:
        match = _RANGE.fullmatch(self.input.strip())
        if match is None or float(match["low"]) >= float(match["high"]):
            raise refuse(
                f"{self.input!r} is no signal range: write both ends, lower first, and mA, V, mV or counts, "
                "like '4-20 mA', '0.5-4.5 V' or '0-4095 counts'",
                at=("input",),
            )
        return self


class TopicTable(Table):
    """One ``[[topics]]`` entry; entries with the same topic take several points from one payload."""

    topic: TopicFilter
    site: SiteId | None = None
    point: Point | None = None
    samples_path: JsonPath | None = None
    value_path: JsonPath | None = None
    time_path: JsonPath | None = None
    time_format: TimeFormat = "auto"
    unit_path: JsonPath | None = None
    device_path: JsonPath | None = None
    boot_path: JsonPath | None = None
    sequence_path: JsonPath | None = None
    unit: str | None = None
    scale: ScaleTable | None = None
    on: Words | None = None
    off: Words | None = None

    @model_validator(mode="after")
    def _site_and_point_are_known(self) -> Self:
        for name, fixed in (("site", self.site), ("point", self.point)):
            if (fixed is None) is ("{" + name + "}" not in self.topic):
                raise refuse(
                    f"write either the placeholder {{{name}}} in topic or the key {name}, not both or neither"
                )
        return self

    @model_validator(mode="after")
    def _paths_go_together(self) -> Self:
        for name in ("samples_path", "time_path", "unit_path", "sequence_path"):
            if getattr(self, name) is not None and self.value_path is None:
                raise refuse(f"{name} needs value_path, which says where the value stands", at=(name,))
        for name in ("device_path", "boot_path"):
            if getattr(self, name) is not None and self.sequence_path is None:
                raise refuse(f"{name} needs sequence_path, which says where the number stands", at=(name,))
        if self.sequence_path is not None and self.boot_path is None:
            raise refuse(
                "sequence_path needs boot_path: where a device starts to count anew, its boot must change, or its "
                "readings would be taken for repeats",
                at=("sequence_path",),
            )
        return self

    @model_validator(mode="after")
    def _unit_fits_the_point(self) -> Self:
        """Check that whatever is special to one quantity comes with a fixed point that has it."""
        special = [name for name in ("unit", "scale", "on", "off") if getattr(self, name) is not None]
        if special and self.point is None:
            raise refuse(
                f'{special[0]} needs a fixed point: make an entry of its own, with point = "..." and that '
                "word in place of {point} in topic",
                at=(special[0],),
            )
        for name in ("on", "off"):
            if getattr(self, name) is not None and self.point is not Point.HEATER:
                raise refuse(f"{name} words are for point = 'heater'", at=(name,))
        if self.unit is not None and self.point is not None:
            known = units.KINDS[POINT_KINDS[self.point]]
            if self.unit not in known:
                raise refuse(f"allowed for {self.point}: {', '.join(known)}", at=("unit",))
        return self

    @model_validator(mode="after")
    def _scale_has_two_ends(self) -> Self:
        if self.scale is None or self.point is None:
            return self
        if self.point is Point.HEATER or self.unit is not None or self.unit_path is not None:
            raise refuse("scale is for pressure or temperature, without unit and unit_path", at=("scale",))
        ends = []
        for name in ("low", "high"):
            try:
                ends.append(units.parse(getattr(self.scale, name), POINT_KINDS[self.point]))
            except InputError as exc:
                raise refuse(str(exc), at=("scale", name)) from exc
        if ends[0] >= ends[1]:
            raise refuse("scale.low must be below scale.high", at=("scale", "low"))
        return self


DEFAULT_TOPICS = (TopicTable(topic=default_topic("{site}", Point.PRESSURE).replace("pressure", "{point}")),)
"""What is listened to where the settings name no topics."""
