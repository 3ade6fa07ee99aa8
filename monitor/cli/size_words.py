"""What an option of ``cushionwatch size`` says, read with one clear message where it says nothing usable."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Final, TypeVar

from monitor.errors import InputError
from monitor.physics.fluids import Fluid
from monitor.physics.solids import MATERIALS, Material
from monitor.service.settings.mixtures import read_mixture
from monitor.service.settings.quantities import quantity
from monitor.site import Antifreeze

T = TypeVar("T", bound=StrEnum)

_GAUGE: Final = "; pressures are gauge: is the unit right?"
_CHARGE: Final = ("pressure", "0 bar", "20 bar", _GAUGE)
RANGES: Final[Mapping[str, tuple[str, str, str, str]]] = MappingProxyType(
    {
        "volume": ("volume", "1 L", "1000 m3", ""),
        "piping": ("volume", "0.01 L", "1000 m3", ""),
        "hot": ("temperature", "5 degC", "110 degC", " (41 to 230 degF)"),
        "cold": ("temperature", "-40 degC", "95 degC", " (-40 to 203 degF)"),
        "altitude": ("length", "-500 m", "5000 m", ""),
        "supply": _CHARGE,
        "height": ("length", "0 m", "150 m", ""),
        "relief": ("pressure", "0.5 bar", "25 bar", _GAUGE),
        "highest": ("pressure", "0.1 bar", "25 bar", _GAUGE),
        "limit": ("pressure", "0.5 bar", "20 bar", _GAUGE),
        "precharge": _CHARGE,
        "charge_below": ("pressure", "0 bar", "5 bar", ""),
        "tank": ("volume", "0.1 L", "50 m3", ": the whole tank, as on its plate"),
        "tank_precharge": _CHARGE,
        "fit": ("volume", "0.1 L", "50 m3", ": the whole tank, as on its plate"),
        "empty_weight": ("mass", "0 kg", "20000 kg", ""),
    }
)
"""Kind and plausible range of each quantity: wide, to catch a wrong unit or a slipped digit."""

_PARTS: Final = (
    ("supply", "--supply"),
    ("filling pressure", "--supply"),
    ("cold pressure", "--supply"),
    ("static height", "--height"),
    ("top of the loop", "--height"),
    ("does not lift", "--height"),
    ("filled cold the loop", "--height"),
    ("takes water from", "--supply"),
    ("takes water from", "--precharge"),
    ("not pass", "--highest"),
    ("fitted tank", "--fit"),
    ("hold the water reserve", "--fit"),
    ("present tank", "--tank"),
    ("air charge", "--precharge"),
    ("highest pressure", "--highest"),
    ("relief", "--relief"),
    ("plain tank", "--tank-kind"),
    ("method", "--method"),
    ("hot (", "--hot"),
    ("cold (", "--cold"),
    ("temperature", "--hot"),
    ("temperature", "--cold"),
    ("does not grow", "--hot"),
    ("does not grow", "--cold"),
    ("too little heating", "--hot"),
    ("too little heating", "--cold"),
    ("boils", "--hot"),
    ("boils", "--supply"),
    ("glycol has no place", "--glycol"),
    ("heated water", "--volume"),
    ("altitude", "--altitude"),
)


def flag(name: str) -> str:
    """Return an option as it is typed.

    >>> flag("tank_precharge")
    '--tank-precharge'
    """
    return f"--{name.replace('_', '-')}"


def read(name: str, text: str) -> float:
    """Return the quantity of an option in SI; `InputError` with the option, what was read, what is allowed."""
    try:
        return quantity(*RANGES[name])(text)
    except ValueError as error:
        raise InputError(f"{flag(name)} {text!r}: {error}") from error


def chosen(name: str, text: str, allowed: Iterable[T]) -> T:
    """Return the one of ``allowed`` that ``text`` names, in any case of letters."""
    known = {str(one): one for one in allowed}
    if text.strip().lower() not in known:
        raise InputError(f"{flag(name)} {text!r}: allowed are {', '.join(known)}")
    return known[text.strip().lower()]


def unit(text: str) -> str:
    """Return the unit of pressure that ``--unit`` names."""
    known = {name.lower(): name for name in ("psi", "bar", "kPa", "MPa")}
    if text.strip().lower() not in known:
        raise InputError(f"--unit {text!r}: allowed are {', '.join(known.values())}")
    return known[text.strip().lower()]


def material(name: str, text: str) -> Material | None:
    """Return what a shell is of; None where it is not known."""
    known = {one.lower(): shell for one, shell in MATERIALS.items()}
    plain = " ".join(text.replace("-", " ").lower().split())
    if plain == "unknown":
        return None
    if plain not in known:
        raise InputError(f"{flag(name)} {text!r}: allowed are {', '.join(MATERIALS)}, unknown")
    return known[plain]


def mixture(text: str) -> Antifreeze:
    """Return what ``--glycol`` names, read as a site file's is."""
    try:
        return read_mixture(text)
    except InputError as error:
        raise InputError(f"--glycol {error}") from error


def about(mixed: Antifreeze, fluid: Fluid) -> str:
    """Return a sentence about the mixture that fills a loop."""
    share, celsius = 100.0 * mixed.mass_share, fluid.freezing
    return (
        f"{mixed.kind.capitalize()} glycol, {share:.3g} % by mass, without inhibitors, freezes at "
        f"{round(celsius)} °C ({round(celsius * 1.8 + 32)} °F). A product with inhibitors swells differently, by up to "
        "a fifth and as a rule less: its data sheet tells."
    )


def with_options(message: str) -> str:
    """Return a message of the calculation with the options that it speaks of."""
    named = dict.fromkeys(option for part, option in _PARTS if part in message)
    return f"{message} ({', '.join(named)})" if named else message
