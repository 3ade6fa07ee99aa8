"""From the options of ``cushionwatch size``, and a site file, to the question that is sized."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from monitor.cli import size_words as words
from monitor.cli.size_options import Options
from monitor.errors import InputError
from monitor.physics.fluids import Fluid, Glycol, glycol
from monitor.physics.solids import STEEL
from monitor.site import Antifreeze, HeaterKind, Site
from monitor.sizing.case import Case, Code, Method, Part, PresentTank, TankKind, Use
from monitor.web.sizing.shown import Shown

_METHODS: Final = {
    Use.DOMESTIC: (Method.POTABLE, Method.ASHRAE),
    Use.HEATING: (Method.ASHRAE, Method.EN12828),
}
_PRESSURES: Final = (
    *("supply", "relief", "highest", "precharge", "tank_precharge", "limit", "charge_below"),
)
_SHOWN_AS: Final = {"mbar": "bar", "Pa": "kPa"}
_NOT_FOR: Final = {
    Use.DOMESTIC: ("height", "glycol"),
    Use.HEATING: ("limit", "charge_below"),
}


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked: the case, the units of the answer, what was taken for granted in asking, and where it is."""

    case: Case
    shown: Shown
    notes: tuple[str, ...]
    place: str = ""
    timezone: str = "UTC"


def question(given: Options, site: Site | None) -> Question:
    """Return what the options ask, a site's facts in place of those left out.

    Raises
    ------
    InputError
        If an option cannot be read, is missing, or has no meaning for the use.
    """
    read = {name: words.read(name, text) for name, text in _texts(given) if name in words.RANGES}
    facts = {**_facts(site), **read}
    use = _use(given, site)
    _misplaced(given, use)
    units = [_unit_of(given, site)]
    if given.unit is not None:
        units.append((words.unit(given.unit), ""))
    shown = Shown(units[-1][0])
    code, whose = _code(given, *units[0])
    mixed = _antifreeze(given, site)
    fluid = None if mixed is None else glycol(Glycol(mixed.kind), mixed.mass_share)
    case = _case(given, facts, use, code, fluid)
    notes = [
        "" if mixed is None or fluid is None else words.about(mixed, fluid),
        *_notes(given, case, site),
        "" if given.unit is not None else f"Units go by {units[0][1]}: {shown.unit}.",
        whose,
    ]
    if site is None:
        return Question(case, shown, tuple(note for note in notes if note))
    notes.append(_from_site(site, read, given))
    place = f"{site.name} ({site.id})" if site.name else site.id
    return Question(case, shown, tuple(note for note in notes if note), place, site.timezone)


def _texts(given: Options) -> Iterator[tuple[str, str]]:
    for name in given.__slots__:
        text = getattr(given, name)
        if isinstance(text, str):
            yield name, text


def _facts(site: Site | None) -> dict[str, float]:
    if site is None:
        return {}
    facts = {
        "volume": site.heater.volume,
        "height": site.heater.height,
        "hot": site.heater.setpoint,
        "altitude": site.altitude,
        "supply": site.supply,
        "limit": site.supply_limit,
        "relief": site.relief,
        "tank": site.tank_volume,
        "tank_precharge": site.precharge if site.tank_volume is not None else None,
    }
    return {name: value for name, value in facts.items() if value is not None}


def _use(given: Options, site: Site | None) -> Use:
    use = None if given.use is None else words.chosen("use", given.use, Use)
    if site is None:
        if use is None:
            raise InputError("--use is needed: domestic for hot water from taps, heating for a closed loop")
        return use
    found = Use.HEATING if site.heater.kind is HeaterKind.LOOP else Use.DOMESTIC
    if use not in {None, found}:
        raise InputError(
            f"--use {given.use!r}: site {site.id} has a heater of kind {site.heater.kind}, which is {found} use; leave "
            "--use out, or correct kind in the site file"
        )
    return found


def _misplaced(given: Options, use: Use) -> None:
    """Refuse what would have no effect: whoever gave it expects one."""
    names = dict(_texts(given))
    for name in _NOT_FOR[use]:
        if name in names:
            raise InputError(f"{words.flag(name)} {names[name]!r} has no meaning for {use} use: leave it out")
    plain = (
        given.tank_kind is not None and words.chosen("tank_kind", given.tank_kind, TankKind) is TankKind.PLAIN
    )
    for name in ("precharge", "charge_below"):
        if plain and name in names:
            raise InputError(f"{words.flag(name)} {names[name]!r}: a plain tank has no air charge to pump")
    if given.piping_material is not None and given.piping is None:
        raise InputError("--piping-material tells nothing without --piping, the water in the pipes")


def _unit_of(given: Options, site: Site | None) -> tuple[str, str]:
    """Return the unit of pressure in which the question is asked, and what it is taken from."""
    if site is not None:
        return site.unit, "the site file"
    for name in _PRESSURES:
        text = getattr(given, name)
        if text is not None:
            unit = re.sub(r"[^A-Za-z]", "", text.rstrip()[-4:])
            return _SHOWN_AS.get(unit, unit), words.flag(name)
    return "bar", "what is usual"  # a message will say which pressure is missing


def _code(given: Options, unit: str, source: str) -> tuple[Code, str]:
    """Return whose limits and sizes hold, and the sentence that says so; the unit of the answer has no say."""
    if given.code is not None:
        code = words.chosen("code", given.code, Code)
        return code, f"Limits and sizes are those usual in {_PLACES[code]}, as asked for (--code)."
    code = Shown(unit).code
    return code, f"Limits and sizes are those usual in {_PLACES[code]}, by {source} in {unit} (--code)."


def _antifreeze(given: Options, site: Site | None) -> Antifreeze | None:
    if given.glycol is not None:
        return words.mixture(given.glycol)
    return None if site is None else site.heater.antifreeze


_PLACES: Final = {Code.US: "the USA", Code.EUROPE: "Europe"}


def _case(given: Options, facts: Mapping[str, float], use: Use, code: Code, fluid: Fluid | None) -> Case:
    method = None if given.method is None else words.chosen("method", given.method, Method)
    if method is not None and method not in _METHODS[use]:
        allowed = " or ".join(_METHODS[use])
        raise InputError(f"--method {given.method!r} is not for {use} use: allowed is {allowed}")
    kind = TankKind.DIAPHRAGM
    if given.tank_kind is not None:
        kind = words.chosen("tank_kind", given.tank_kind, TankKind)
    if kind is TankKind.PLAIN and method is None:
        method = Method.ASHRAE  # the only one that knows plain tanks
    return Case(
        use=use, parts=_parts(given, facts), hot=_needed("hot", facts), method=method, code=code, fluid=fluid,
        tank=kind, cold=facts.get("cold"), supply=facts.get("supply"), height=facts.get("height"),
        precharge=facts.get("precharge"), charge_below=facts.get("charge_below", 0.0),
        relief=facts.get("relief"), highest=facts.get("highest"), supply_limit=facts.get("limit"),
        altitude=facts.get("altitude", 0.0), present=_present(facts), fit=facts.get("fit"),
        tank_mass=facts.get("empty_weight"),
    )  # fmt: skip


def _needed(name: str, facts: Mapping[str, float]) -> float:
    what = {"hot": 'the highest temperature, like "60 degC"', "volume": 'all water heated, like "150 L"'}
    if name not in facts:
        raise InputError(f"{words.flag(name)} is needed: {what[name]}, or a site file that has it")
    return facts[name]


def _parts(given: Options, facts: Mapping[str, float]) -> tuple[Part, ...]:
    shell = STEEL if given.material is None else words.material("material", given.material)
    heater = Part(_needed("volume", facts), shell)
    if given.piping is None:
        return (heater,)
    pipe = given.piping_material
    return heater, Part(facts["piping"], None if pipe is None else words.material("piping_material", pipe))


def _present(facts: Mapping[str, float]) -> PresentTank | None:
    if "tank" in facts:
        return PresentTank(facts["tank"], facts.get("tank_precharge"))
    if "tank_precharge" in facts:
        raise InputError(
            "--tank-precharge tells nothing without --tank, the volume of the tank that is there"
        )
    return None


def _notes(given: Options, case: Case, site: Site | None) -> Iterator[str]:
    if given.method is None and case.use is Use.HEATING and case.tank is TankKind.DIAPHRAGM:
        yield f"Method {case.way}, the usual one in {_PLACES[case.code]} (--method)."
    if case.way is not Method.EN12828:
        if given.material is None:
            yield "What holds the heated water is of steel (--material)."
        if given.piping is not None and given.piping_material is None:
            yield "The pipes do not grow, as their material is not given (--piping-material)."
    if given.altitude is None and site is None:
        yield "At sea level (--altitude)."


def _from_site(site: Site, read: Mapping[str, float], given: Options) -> str:
    names = [words.flag(name)[2:].replace("-", " ") for name in _facts(site) if name not in read]
    if given.use is None:
        names.insert(0, "use")
    if site.heater.antifreeze is not None and given.glycol is None:
        names.append("glycol")
    return f"From the file of site {site.id}: {', '.join(names)}." if names else ""
