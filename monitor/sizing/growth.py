"""How much the water gains from cold to hot, and what of it the growing shell keeps."""

from __future__ import annotations

from monitor.errors import InputError
from monitor.physics.fluids import Fluid
from monitor.physics.solids import PEX, Material, shell_growth
from monitor.sizing.case import Case, Part
from monitor.sizing.pressures import cold_of
from monitor.sizing.worksheet import Kind, Worksheet


def expansion(case: Case, pressure: float, sheet: Worksheet, *, net: bool) -> float:
    """Return the net growth [m³] of the water of ``case`` from cold to hot, at ``pressure`` [abs Pa].

    With ``net`` the growth of the enclosing metal, 3 alpha dT of its volume, is taken off. That of plastic
    pipe is not: held and warm it does not widen as a free one does, and to count on it errs to the unsafe side.

    Raises
    ------
    InputError
        If hot is not above cold, a part has no volume, or the water does not outgrow its shell.
    OutOfRangeError
        If a temperature or pressure is outside what is known of the fluid.
    """
    cold, hot = cold_of(case), case.hot
    if hot <= cold:
        raise InputError(f"hot ({hot:g} °C) must be above cold ({cold:g} °C)")
    _check(case.parts)
    e = _swelling(case.medium, cold, hot, pressure, sheet)
    names = names_of(case)
    for name, part in zip(names, case.parts, strict=True):
        wall = "" if part.material is None else f" in {part.material.name}"
        sheet.given(name, f"heated volume{wall}", part.volume, Kind.VOLUME, "given")
    if e <= 0.0:
        raise InputError(
            f"{case.medium.name} does not grow from {cold:g} to {hot:g} °C: nothing to size a tank for"
        )
    if not net or all(_shell_of(part) is None for part in case.parts):
        return _whole(names, case, e, sheet)
    sheet.work("dT", "rise of temperature", "T2 - T1", hot - cold, Kind.DIFFERENCE, "definition", "T1 T2")
    alphas = [_alpha(_shell_of(part), sheet) for part in case.parts]
    return _net(names, alphas, case, e, sheet)


def names_of(case: Case) -> list[str]:
    """Return the symbols of the parts' volumes."""
    return ["V"] if len(case.parts) == 1 else [f"V{number}" for number in range(1, len(case.parts) + 1)]


def _shell_of(part: Part) -> Material | None:
    return None if part.material == PEX else part.material


def _check(parts: tuple[Part, ...]) -> None:
    if not parts or not all(part.volume > 0.0 for part in parts):
        wrong = next((part.volume for part in parts if not part.volume > 0.0), 0.0)
        raise InputError(f"the volume of heated water must be above 0; {wrong * 1e3:g} L was given")


def _swelling(fluid: Fluid, cold: float, hot: float, pressure: float, sheet: Worksheet) -> float:
    source = "IAPWS R6-95(2018)" if fluid.name == "water" else "reference library, incompressible mixtures"
    sheet.given("T1", "cold", cold, Kind.TEMPERATURE, "given or assumed")
    sheet.given("T2", "hot", hot, Kind.TEMPERATURE, "given")
    # On a mountain a low loop is under 0.1 MPa, where the table ends: 0.05 MPa change the growth by 2e-5 of it.
    within = min(max(pressure, fluid.p_min), fluid.p_max)
    r1, r2 = (float(fluid.density(t, within)) for t in (cold, hot))
    sheet.given("r1", f"density of {fluid.name} at T1", r1, Kind.DENSITY, source)
    sheet.given("r2", f"density of {fluid.name} at T2", r2, Kind.DENSITY, source)
    return sheet.work(
        "e", "growth per volume", "r1 / r2 - 1", r1 / r2 - 1.0, Kind.RATIO, "mass is kept", "r1 r2"
    )


def _whole(names: list[str], case: Case, e: float, sheet: Worksheet) -> float:
    volumes = names[0] if len(names) == 1 else f"({' + '.join(names)})"
    value = e * case.content
    return sheet.work(
        "Ve", "growth", f"{volumes} * e", value, Kind.VOLUME, "growth of all water", " ".join([*names, "e"])
    )


def _alpha(material: Material | None, sheet: Worksheet) -> str | None:
    if material is None:
        return None
    name = f"a_{material.name.replace(' ', '_')}"
    if all(step.symbol != name for step in sheet.steps):
        source = "6.5e-6 and 9.5e-6 per °F for steel and copper: ASHRAE Handbook HVAC Systems & Equipment 2000, ch. 12"
        sheet.given(
            name, f"linear growth of {material.name}", material.linear_expansion, Kind.PER_DEGREE, source
        )
    return name


def _net(names: list[str], alphas: list[str | None], case: Case, e: float, sheet: Worksheet) -> float:
    terms, value = [], 0.0
    for name, alpha, part in zip(names, alphas, case.parts, strict=True):
        shell = 0.0
        if alpha is None or part.material is None:
            terms.append(f"{name} * e")
        else:
            terms.append(f"{name} * (e - 3 * {alpha} * dT)")
            shell = float(shell_growth(part.volume, part.material, cold_of(case), case.hot))
        value += part.volume * e - shell
    uses = [*names, "e", *dict.fromkeys(alpha for alpha in alphas if alpha), "dT"]
    if value <= 0.0:
        raise InputError("the shell would grow more than its water: too little heating to size a tank for")
    source = "net of the shell: ASHRAE Handbook HVAC Systems & Equipment 2000, ch. 12"
    return sheet.work("Ve", "net growth", " + ".join(terms), value, Kind.VOLUME, source, " ".join(uses))
