"""The options of ``cushionwatch size``: one field each, as typer reads them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

_WATER, _PRESSURES, _TANK, _OUT = "The water", "Pressures, gauge", "The tank", "The answer"


def _option(panel: str, metavar: str, text: str) -> typer.models.OptionInfo:
    option: typer.models.OptionInfo = typer.Option(
        metavar=metavar, help=text, rich_help_panel=panel, show_default=False
    )
    return option


Text = str | None


@dataclass(frozen=True, slots=True)
class Options:
    """What stood on the command line, as it stood there; None where nothing did."""

    site: Annotated[
        Path | None, _option(_WATER, "SITE.toml", "Site file: its facts stand in for options left out.")
    ] = None
    use: Annotated[
        Text, _option(_WATER, "domestic|heating", "What the water is for; a site file tells it too.")
    ] = None
    volume: Annotated[
        Text, _option(_WATER, '"40 gal"', "Water that is heated: heater, or whole heating system.")
    ] = None
    material: Annotated[
        Text, _option(_WATER, "steel|copper|...", 'Its shell: also "stainless steel", PEX, unknown.')
    ] = None
    piping: Annotated[Text, _option(_WATER, '"5 gal"', "Water in hot pipes, on top of the volume above.")] = (
        None
    )
    piping_material: Annotated[Text, _option(_WATER, "copper|PEX|...", "Of what the pipes are.")] = None
    hot: Annotated[
        Text, _option(_WATER, '"140 degF"', "Highest temperature that is reached, overshoot included.")
    ] = None
    cold: Annotated[
        Text, _option(_WATER, '"50 degF"', "Coldest incoming or filling water; 10 degC if left out.")
    ] = None
    glycol: Annotated[
        Text, _option(_WATER, '"propylene 30 % by volume"', "In a heating loop; ethylene, by mass.")
    ] = None
    altitude: Annotated[Text, _option(_WATER, '"400 ft"', "Above sea level.")] = None
    supply: Annotated[
        Text,
        _option(_PRESSURES, '"50 psi"', "At the tank, cold: line at rest, or filling pressure of a loop."),
    ] = None
    height: Annotated[
        Text, _option(_PRESSURES, '"8 m"', "Heating: water above the tank, up to the top of the loop.")
    ] = None
    relief: Annotated[Text, _option(_PRESSURES, '"150 psi"', "Setting of the relief valve.")] = None
    highest: Annotated[
        Text, _option(_PRESSURES, '"80 psi"', "Not to be passed at the tank; else by relief and code.")
    ] = None
    limit: Annotated[
        Text, _option(_PRESSURES, '"80 psi"', "Domestic: line pressure the code allows, if not the usual.")
    ] = None
    precharge: Annotated[
        Text, _option(_PRESSURES, '"50 psi"', "Air charge to pump to, if not the method's.")
    ] = None
    charge_below: Annotated[
        Text, _option(_PRESSURES, '"3 psi"', "Domestic: keep the air charge this far under the line.")
    ] = None
    tank: Annotated[
        Text, _option(_TANK, '"4.4 gal"', "The tank that is there or is replaced, its whole volume.")
    ] = None
    tank_precharge: Annotated[
        Text, _option(_TANK, '"40 psi"', "Its air charge, as gauged with the water side relieved.")
    ] = None
    fit: Annotated[
        Text, _option(_TANK, '"5 gal"', "The tank to fit, once it is chosen: all figures are then for it.")
    ] = None
    tank_kind: Annotated[
        Text, _option(_TANK, "diaphragm|plain", "The new tank: with a diaphragm or bladder, or without.")
    ] = None
    empty_weight: Annotated[Text, _option(_TANK, '"5 lb"', "Of the new tank, for its bracket.")] = None
    method: Annotated[
        Text, _option(_OUT, "ashrae|en12828|potable", "Whose method; the usual one if left out.")
    ] = None
    code: Annotated[
        Text, _option(_OUT, "us|europe", "Whose limits and sizes; us if pressures are given in psi.")
    ] = None
    unit: Annotated[
        Text, _option(_OUT, "psi|bar|kPa|MPa", "Of the answer only; else that of the site or the pressures.")
    ] = None
    explain: Annotated[
        bool, typer.Option("--explain", help="Show every step with its source.", rich_help_panel=_OUT)
    ] = False
    as_json: Annotated[
        bool,
        typer.Option("--json", help="Write one JSON object and nothing else.", rich_help_panel=_OUT),
    ] = False
    html: Annotated[
        Path | None, _option(_OUT, "OUT.html", "Write a page too: one file, every step, printable.")
    ] = None
