"""What the sizing says of the tank that is there: whether it is large enough, and whether its charge is right."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from monitor.sizing.case import TankKind
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


def _judged(found: Sizing, present: Tank, shown: Shown) -> str:
    volume, exact = shown.plate(present.volume), shown.volume(found.exact, up=True)
    if not large_enough(found):
        return f"too small: it has {volume}, and at least {exact} are needed. Replace it, never by a smaller one."
    if present.enough:
        return f"enough: it has {volume}, and at least {exact} are needed."
    return f"large enough, {volume} where {exact} are needed, but not with its present air charge."


def _peak(found: Sizing, present: Tank, shown: Shown) -> str:
    within, relief = "within" if present.enough else "above", found.case.relief
    opens = "; the relief valve opens" if relief is not None and present.peaks.slow >= relief else ""
    return (
        f"{peak(present.peaks.slow, shown)} in a full recovery without a draw, {within} the "
        f"{shown.pressure(found.highest)} allowed{opens}."
    )


def _charge(found: Sizing, present: Tank, shown: Shown) -> str:
    case, wanted = found.case, shown.pressure(found.advised.precharge)
    if case.present is None or case.present.precharge is None:
        return f"not given, so the peak is for {wanted}: gauge it with the water side relieved, and pump to that."
    has, off = shown.pressure(present.precharge), present.precharge - found.advised.precharge
    if abs(off) <= _CLOSE:
        return f"{has}, as it should be."
    way = "let air out" if off > 0.0 else "pump"
    again = "" if off > 0.0 else "; gauge it again in a week, a tank that loses its air has to be replaced"
    return f"{has} where {wanted} is right: {way} with the water side relieved{again}."
