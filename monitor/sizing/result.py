"""What a sizing comes to. SI, pressures gauge; an infinite peak means that the relief valve must open."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.sizing.case import Case, Method
from monitor.sizing.worksheet import Step


@dataclass(frozen=True, slots=True)
class Peaks:
    """Pressures that a full recovery from cold, with no draw, would reach. [gauge Pa].

    ``slow``: the air stays at its temperature (n = 1), as in the methods; ``fast``: no heat leaves the air
    (n = 1.4), the upper bound.
    """

    slow: float
    fast: float


@dataclass(frozen=True, slots=True)
class Floors:
    """Air charge [gauge Pa] below which a full recovery passes a pressure; below 0: it never does.

    ``highest``: the highest pressure of the sizing; ``near_relief``: 90 % of the relief setting;
    ``relief``: the setting. None where no setting is known.
    """

    highest: float
    near_relief: float | None
    relief: float | None


@dataclass(frozen=True, slots=True)
class Tank:
    """One tank on this system: volume [m³], air charge and cold pressure [gauge Pa], acceptance [m³], peaks, floors.

    ``acceptance`` is the growth that it takes from the cold to the highest pressure; ``enough``: a full
    recovery does not pass the highest pressure.
    """

    volume: float
    precharge: float
    cold: float
    acceptance: float
    peaks: Peaks
    floors: Floors
    enough: bool


@dataclass(frozen=True, slots=True)
class Fill:
    """Cold pressures of a heating loop that keep the reserve (``low``) and the highest pressure (``high``)."""

    low: float
    high: float
    advised: float


@dataclass(frozen=True, slots=True)
class Weight:
    """Masses that the bracket carries [kg]: water when hot, when waterlogged; ``empty`` as on the plate."""

    filled: float
    waterlogged: float
    empty: float | None


@dataclass(frozen=True, slots=True)
class Caution:
    """Something that a person must see before acting: a stable code, and the pressures or volumes in it."""

    code: str
    values: tuple[tuple[str, float], ...] = ()

    def __getitem__(self, name: str) -> float:
        return dict(self.values)[name]


@dataclass(frozen=True, slots=True)
class Sizing:
    """Answer to a `Case`: the smallest volume that the method gives, the tank to fit, and what follows.

    Volumes [m³]: ``expansion`` net growth, ``reserve`` water kept against losses, ``needed`` their sum,
    ``exact`` smallest tank. ``supply`` and ``highest`` [gauge Pa] are the pressures it was sized between.
    ``advised`` is the tank to fit: the next preferred number, and no smaller than the present one.
    ``others`` are the smallest volumes by the other methods that suit the use.
    """

    case: Case
    method: Method
    steps: tuple[Step, ...]
    assumed: tuple[str, ...]
    supply: float
    highest: float
    expansion: float
    reserve: float
    needed: float
    exact: float
    advised: Tank
    fill: Fill | None
    weight: Weight
    present: Tank | None
    others: tuple[tuple[Method, float], ...]
    cautions: tuple[Caution, ...]
