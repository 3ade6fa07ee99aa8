"""What the sizing says of the tank that is there: whether it is large enough, and whether its charge is right."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from monitor.sizing.case import TankKind, Use
from monitor.sizing.result import Sizing, Tank
from monitor.web.sizing.cautions import peak
from monitor.web.sizing.shown import Shown

_CLOSE: Final = 7e3  # Pa: 1 psi; a hand pump and a gauge do not come closer


def verdict(found: Sizing, shown: Shown) -> Iterator[tuple[str, str]]:
    """Yield the rows about the present tank; none where there is none."""
    if found.present is None:
        return
    yield "Verdict", _judged(found, found.present, shown)
    yield "Its peak", _peak(found, found.present, shown)
    if found.case.tank is TankKind.DIAPHRAGM:
        yield "Its charge", _charge(found, found.present, shown)


def large_enough(found: Sizing) -> bool:
    """Tell whether the present tank has the volume that the method asks for."""
    return found.present is not None and found.present.volume >= found.exact * (1.0 - 1e-9)


def remedy(found: Sizing, shown: Shown) -> str:
    """Return what to do about a present tank that lets the pressure rise too far; the verdict says the same."""
    if found.present is None:
        return ""
    if not large_enough(found):
        return "It is too small, whatever its charge: replace it by the tank to fit."
    off = _off(found, found.present)
    if off is None or off == 0.0:
        return (
            "Volume and charge are as the method asks: bring the cold pressure down, or take a larger tank."
        )
    wanted = shown.pressure(found.advised.precharge)
    return f"It is large enough: with its water side relieved, {_way(off)} until it has {wanted}."


def _judged(found: Sizing, present: Tank, shown: Shown) -> str:
    volume, exact = shown.plate(present.volume), shown.volume(found.exact, up=True)
    if not large_enough(found):
        return f"too small: it has {volume}, and at least {exact} are needed. Replace it, never by a smaller one."
    if present.enough:
        return f"enough: it has {volume}, and at least {exact} are needed."
    why = "its present air charge" if _off(found, present) else "this cold pressure"
    return f"large enough, {volume} where {exact} are needed, but not with {why}."


def _peak(found: Sizing, present: Tank, shown: Shown) -> str:
    within, relief = "within" if present.enough else "above", found.case.relief
    opens = "; the relief valve opens" if relief is not None and present.peaks.slow >= relief else ""
    filled = f", filled to {shown.pressure(present.cold)} cold" if found.case.use is Use.HEATING else ""
    return (
        f"{peak(present.peaks.slow, shown)} in a full recovery without a draw{filled}, {within} the "
        f"{shown.pressure(found.highest)} allowed{opens}."
    )


def _charge(found: Sizing, present: Tank, shown: Shown) -> str:
    wanted, off = shown.pressure(found.advised.precharge), _off(found, present)
    if off is None:
        return f"not given, so the peak is for {wanted}: gauge it with the water side relieved, and pump to that."
    has = shown.pressure(present.precharge)
    if abs(off) <= _CLOSE and (present.enough or off == 0.0):
        return f"{has}, as it should be."
    if not large_enough(found):
        return f"{has} where {wanted} would be right; the right charge does not make up for its size."
    again = "" if off > 0.0 else "; gauge it again in a week, a tank that loses its air has to be replaced"
    return f"{has} where {wanted} is right: {_way(off)} with the water side relieved{again}."


def _off(found: Sizing, present: Tank) -> float | None:
    """Return how far the charge is above the right one [Pa]; None where it is not known, or there is none."""
    case = found.case
    if case.tank is TankKind.PLAIN or case.present is None or case.present.precharge is None:
        return None
    return present.precharge - found.advised.precharge


def _way(off: float) -> str:
    return "let air out" if off > 0.0 else "pump"
