"""``cushionwatch size``: what options and site files ask, what is refused and how, what goes where."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from monitor.cli import size_words
from monitor.cli.main import main
from monitor.errors import InputError
from monitor.physics.solids import MATERIALS
from monitor.sizing.case import Code, Method, TankKind, Use
from monitor.units import PSI

HOME = {
    "--use": "domestic",
    "--volume": "40 gal",
    "--hot": "140 degF",
    "--cold": "50 degF",
    "--supply": "60 psi",
    "--relief": "150 psi",
}
LOOP = {"--use": "heating", "--volume": "600 L", "--hot": "75 degC", "--height": "9 m", "--relief": "3 bar"}
SITE = """\
id = "mill-lane-3"
unit = "psi"
altitude = "120 m"
[heater]
kind = "{kind}"
volume = "150 L"
setpoint = "54 degC"
[tank]
volume = "8 L"
precharge = "20 psi"
[supply]
pressure = "22 psi"
[relief]
setting = "50 psi"
"""


class Outcome(NamedTuple):
    code: int
    out: str
    err: str


Size = Callable[..., Outcome]


@pytest.fixture
def size(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Size:
    def run(options: dict[str, str], *flags: object) -> Outcome:
        words = [word for pair in options.items() for word in pair]
        monkeypatch.setattr(sys, "argv", ["cushionwatch", "size", *words, *map(str, flags)])
        with pytest.raises(SystemExit) as end:
            main()
        found, code = capsys.readouterr(), end.value.code
        return Outcome(code if isinstance(code, int) else 0, found.out, found.err)

    return run


def sized(size: Size, options: dict[str, str]) -> dict[str, Any]:
    code, out, err = size(options, "--json")
    assert (code, err) == (0, "")
    found: dict[str, Any] = json.loads(out)
    return found


def site(tmp_path: Path, kind: str, more: str = "") -> Path:
    """Write a site file, with ``more`` lines about its heater."""
    path = tmp_path / "mill-lane-3.toml"
    path.write_text(SITE.format(kind=kind).replace("[tank]", f"{more}[tank]"))
    return path


def test_a_home_in_us_units_is_told_what_to_buy_and_how_to_charge_it(size: Size) -> None:
    """Worked by hand: 40 gal grow by 62.4217/61.3902 - 1 less 3 x 6.5e-6 x 90; P 74.70 to 94.70 psi."""
    code, out, err = size(HOME)
    text = " ".join(out.split())
    assert (code, err) == (0, "")
    assert out.startswith("Expansion tank for domestic hot water")
    smallest = 40 * (62.4217 / 61.3902 - 1 - 3 * 6.5e-6 * 90) / (1 - 74.696 / 94.696)
    (told,) = re.findall(r"at least ([\d.]+) gal: take", text)
    assert 0 <= float(told) - smallest < 0.01  # rounded up in the third digit
    for said in (
        "3.15 gal", "pump to 60.0 psi before the tank is connected", "with its water side relieved",
        "as 40 gal of water go from 50 °F to 140 °F", "from 60.0 psi to 80.0 psi", "150.0 psi",
        "waterlogged, without the tank itself", "Local codes decide",
        "Units go by --supply: psi.", "Limits and sizes are those usual in the USA, by --supply in psi (--code).",
        "Never plug, cap or shut off a relief valve",
    ):  # fmt: skip
        assert said in text, said
    assert "Calculation" not in out
    assert max(len(line) for line in out.splitlines()) <= 88


def test_a_loop_in_bar_is_told_how_to_fill_and_what_the_other_method_gives(size: Size) -> None:
    code, out, _ = size({**LOOP, "--glycol": "propylene 30 % by volume", "--empty-weight": "12 kg"})
    text = " ".join(out.split())
    assert code == 0
    for said in (
        "Method: EN 12828, annex D.", "Fill to", "and 3.00 L in reserve", "30.8 % by mass",
        "ASHRAE handbook, hydronic systems: at", "with the 12 kg of the empty tank",
        "Units go by --relief: bar.", "Limits and sizes are those usual in Europe, by --relief in bar (--code).",
    ):  # fmt: skip
        assert said in text, said
    assert "psi" not in re.sub(r"\(\d+ psi\)", "", text)


@pytest.mark.parametrize(("kind", "use"), [("loop", "heating"), ("storage", "domestic")])
def test_a_site_file_stands_in_for_what_is_left_out(size: Size, tmp_path: Path, kind: str, use: str) -> None:
    found = sized(size, {"--site": str(site(tmp_path, kind))})
    asked = found["question"]
    assert asked["use"] == use
    assert asked["parts"] == [{"volume_l": 150.0, "material": "steel"}]
    assert (asked["hot_degc"], asked["altitude_m"], asked["tank_l"]) == (54.0, 120.0, 8.0)
    for name, psi in (("supply_kpa", 22), ("relief_kpa", 50), ("tank_precharge_kpa", 20)):
        assert asked[name] == pytest.approx(psi * PSI / 1e3, abs=1e-6), name
    assert asked["code"] == "us"
    assert "Units go by the site file: psi." in found["assumed"]


def test_options_win_over_the_site_file(size: Size, tmp_path: Path) -> None:
    given = {"--volume": "200 L", "--hot": "60 degC", "--use": "heating", "--unit": "bar", "--tank": "12 L"}
    given |= {"--height": "2 m", "--code": "europe", "--glycol": "ethylene 20 % by mass"}
    path = site(tmp_path, "loop", 'glycol = "propylene 30 % by mass"\nheight = "9 m"\n')
    found = sized(size, {"--site": str(path), **given})
    asked = found["question"]
    assert (asked["parts"][0]["volume_l"], asked["hot_degc"], asked["height_m"]) == (200.0, 60.0, 2.0)
    assert (asked["use"], asked["code"], asked["tank_l"]) == ("heating", "europe", 12.0)
    assert asked["fluid"] == "20 % ethylene glycol"
    assert "From the file of site mill-lane-3: altitude, supply, relief, tank precharge." in found["assumed"]


def test_a_loop_of_a_site_file_has_its_glycol_and_its_height(size: Size, tmp_path: Path) -> None:
    path = site(tmp_path, "loop", 'glycol = "propylene 30 % by volume"\nheight = "30 ft"\n')
    found = sized(size, {"--site": str(path), "--method": "en12828", "--relief": "60 psi"})
    assert found["question"]["fluid"] == "30.8 % propylene glycol"
    assert found["question"]["height_m"] == pytest.approx(9.144, abs=1e-6)
    (taken,) = [one for one in found["assumed"] if one.startswith("From the file")]
    assert taken == (
        "From the file of site mill-lane-3: use, volume, height, hot, altitude, supply, tank, tank precharge, glycol."
    )
    assert any(one.startswith("Propylene glycol, 30.8 % by mass") for one in found["assumed"])
    plain = sized(size, {"--site": str(site(tmp_path, "loop", 'height = "30 ft"\n')), "--relief": "60 psi"})
    assert found["expansion_l"] > 1.2 * plain["expansion_l"]


@pytest.mark.parametrize(
    ("kind", "use"), [("loop", "domestic"), ("storage", "heating"), ("electric", "heating")]
)
def test_a_use_that_contradicts_the_site_file_is_refused(
    size: Size, tmp_path: Path, kind: str, use: str
) -> None:
    code, out, err = size({"--site": str(site(tmp_path, kind)), "--use": use})
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert f"--use {use!r}: site mill-lane-3 has a heater of kind {kind}, which is" in err


@pytest.mark.parametrize("unit", ["psi", "bar", "kPa", "MPa"])
def test_the_unit_of_the_answer_changes_no_number(size: Size, tmp_path: Path, unit: str) -> None:
    def numbers(options: dict[str, str]) -> dict[str, Any]:
        found = sized(size, options)
        for one in found["cautions"]:
            del one["text"]
        del found["assumed"]
        return found

    for base in (HOME, LOOP, {"--site": str(site(tmp_path, "storage"))}):
        assert numbers({**base, "--unit": unit}) == numbers(base)


def test_whose_limits_hold_is_always_said(size: Size) -> None:
    for change, said in (
        ({}, "Limits and sizes are those usual in the USA, by --supply in psi (--code)."),
        ({"--unit": "bar"}, "Limits and sizes are those usual in the USA, by --supply in psi (--code)."),
        ({"--code": "europe"}, "Limits and sizes are those usual in Europe, as asked for (--code)."),
    ):
        assert said in sized(size, {**HOME, **change})["assumed"]


def test_a_tank_that_was_chosen_has_the_figures(size: Size) -> None:
    found = sized(size, {**LOOP, "--fit": "160 l"})
    assert (found["question"]["fit_l"], found["advised"]["volume_l"]) == (160.0, 160.0)
    assert found["advised"]["cold_kpa"] == found["fill"]["advised_kpa"]
    small = sized(size, {**LOOP, "--fit": "30 L"})
    (one,) = [one for one in small["cautions"] if one["code"] == "fit-too-small"]
    assert one["values"] == {"fit_l": 30.0, "exact_l": small["exact_l"]}
    code, _, err = size({**LOOP, "--fit": "3 L"})
    assert code == 2
    assert "a tank of 3 L (0.7925 gal) does not even hold the water reserve of 3 L" in err
    assert "(--fit)" in err


def test_a_smaller_share_of_glycol_freezes_at_no_minus_zero(size: Size) -> None:
    (said,) = [
        one
        for one in sized(size, {**LOOP, "--glycol": "propylene 0.5 % by mass"})["assumed"]
        if "glycol" in one
    ]
    assert "-0 °C" not in said
    assert "freezes at 0 °C (32 °F)" in said


def test_the_page_has_the_site_and_the_day_in_its_zone(size: Size, tmp_path: Path) -> None:
    path, out = site(tmp_path, "storage", ""), tmp_path / "tank.html"
    path.write_text('name = "Mill Lane"\n' + path.read_text())
    code, text, _ = size({"--site": str(path)}, "--html", out)
    assert code == 0
    assert text.startswith("Expansion tank for domestic hot water: Mill Lane (mill-lane-3)\n")
    page = out.read_text()
    assert (
        "<title>Expansion tank for domestic hot water: Mill Lane (mill-lane-3) – cushionwatch</title>" in page
    )
    assert re.search(r">\d{1,2} \w{3} 20\d\d\. Method", page)


def test_all_options_reach_the_question(size: Size) -> None:
    given = {
        "--piping": "10 L", "--piping-material": "Copper", "--material": "stainless-steel", "--precharge": "3 bar",
        "--highest": "5 bar", "--limit": "4.5 bar", "--altitude": "500 m", "--tank": "18 L",
        "--tank-precharge": "2 bar", "--empty-weight": "4 kg", "--method": "ashrae", "--code": "europe",
    }  # fmt: skip
    asked = sized(size, {**HOME, **given})["question"]
    assert asked["parts"] == [
        {"volume_l": pytest.approx(151.416471), "material": "stainless steel"},
        {"volume_l": 10.0, "material": "copper"},
    ]
    expected = {
        "precharge_kpa": 300.0, "highest_kpa": 500.0, "limit_kpa": 450.0, "altitude_m": 500.0, "tank_l": 18.0,
        "tank_precharge_kpa": 200.0, "empty_weight_kg": 4.0, "code": "europe", "cold_degc": 10.0,
    }  # fmt: skip
    assert {name: asked[name] for name in expected} == expected
    assert sized(size, {**HOME, "--charge-below": "0.2 bar"})["question"]["charge_below_kpa"] == 20.0


@pytest.mark.parametrize(
    ("change", "unit"),
    [
        ({}, "psi"),
        ({"--supply": "4 bar"}, "bar"),
        ({"--supply": "4000 mbar"}, "bar"),
        ({"--supply": "400 kPa"}, "kPa"),
        ({"--supply": "0.4 MPa"}, "MPa"),
        ({"--unit": "kpa"}, "kPa"),
    ],
)
def test_the_unit_is_the_one_asked_for_or_that_of_the_pressures(
    size: Size, change: dict[str, str], unit: str
) -> None:
    (line,) = [line for line in size({**HOME, **change}).out.splitlines() if line.startswith("  Line ")]
    assert line.split()[2] == unit


BAD = [
    ("--use", "cooling", "allowed are domestic, heating"),
    ("--volume", "40", 'write a number and a unit, like "1.5 L"'),
    ("--volume", "40 barrels", "allowed are L, mL, m3, gal"),
    ("--volume", "-40 gal", "allowed: 1 L to 1000 m3"),
    ("--material", "brass", "allowed are steel, stainless steel, copper, PEX, unknown"),
    ("--piping-material", "brass", "allowed are steel"),
    ("--hot", "300 degC", "allowed: 5 degC to"),
    ("--cold", "-60 degF", "(-40 to 203 degF)"),
    ("--glycol", "30 %", "propylene 30 % by volume"),
    ("--altitude", "9000 m", "allowed: -500 m to 5000 m"),
    ("--supply", "60 psig", 'all pressures are gauge: write the unit alone, "60 psi"'),
    ("--supply", "4.5 barg", 'all pressures are gauge: write the unit alone, "4.5 bar"'),
    ("--supply", "75 psia", "take off the air pressure outside, about 14.7 psi or 1.01 bar"),
    ("--fit", "16 kg", "allowed are L"),
    ("--glycol", "propylene 0 % by mass", "a share above 0 % is meant"),
    ("--glycol", "propylene ٣٠ % by mass", "is no share"),
    ("--volume", "٤٠ gal", "write a number and a unit"),
    ("--height", "9 bar", "allowed are m, ft"),
    ("--relief", "1500 psi", "allowed: 0.5 bar to 25 bar; pressures are gauge"),
    ("--highest", "0 psi", "allowed: 0.1 bar to 25 bar"),
    ("--limit", "x", "is no pressure"),
    ("--precharge", "-1 psi", "allowed: 0 bar to 20 bar"),
    ("--charge-below", "100 psi", "allowed: 0 bar to 5 bar"),
    ("--tank", "8 kg", "allowed are L"),
    ("--tank-precharge", "nan psi", "is no pressure"),
    ("--tank-kind", "bladder", "allowed are diaphragm, plain"),
    ("--empty-weight", "5 gal", "allowed are kg, lb"),
    ("--method", "din", "allowed are ashrae, en12828, potable"),
    ("--code", "uk", "allowed are us, europe"),
    ("--unit", "inHg", "allowed are psi, bar, kPa, MPa"),
]


@pytest.mark.parametrize(("option", "text", "allowed"), BAD)
def test_a_bad_value_is_one_message_with_option_value_and_what_is_allowed(
    size: Size, option: str, text: str, allowed: str
) -> None:
    base = LOOP if option in {"--height", "--glycol"} else {**HOME, "--piping": "5 L"}
    code, out, err = size({**base, option: text})
    assert (code, out) == (2, "")
    assert err.startswith(f"cushionwatch: {option} {text!r}: ")
    assert allowed in err
    assert err.count("\n") == 1


def without(options: dict[str, str], *names: str) -> dict[str, str]:
    return {name: text for name, text in options.items() if name not in names}


@pytest.mark.parametrize(
    ("options", "named"),
    [
        ({}, ["--use"]),
        ({"--use": "domestic"}, ["--volume"]),
        (without(HOME, "--hot"), ["--hot"]),
        (without(HOME, "--volume"), ["--volume"]),
        (without(HOME, "--supply"), ["--supply"]),
        (without(LOOP, "--relief"), ["--relief", "--highest"]),
        (without(LOOP, "--height"), ["--supply", "--height"]),
        ({**without(LOOP, "--height"), "--supply": "1 bar"}, ["--precharge", "--height"]),
        ({**HOME, "--tank-precharge": "40 psi"}, ["--tank-precharge", "--tank"]),
        ({**HOME, "--piping-material": "PEX"}, ["--piping-material", "--piping"]),
        ({**HOME, "--height": "9 m"}, ["--height"]),
        ({**HOME, "--glycol": "ethylene 20 % by mass"}, ["--glycol"]),
        ({**LOOP, "--limit": "5 bar"}, ["--limit"]),
        ({**LOOP, "--charge-below": "0.2 bar"}, ["--charge-below"]),
        ({**LOOP, "--method": "potable"}, ["--method"]),
        ({**HOME, "--method": "en12828"}, ["--method"]),
        ({**LOOP, "--tank-kind": "plain", "--method": "en12828"}, ["--method", "--tank-kind"]),
        ({**LOOP, "--tank-kind": "plain", "--precharge": "1 bar"}, ["--precharge"]),
        ({**HOME, "--cold": "150 degF"}, ["--hot", "--cold"]),
        (
            {**HOME, "--supply": "5 bar", "--precharge": "6 bar", "--relief": "7 bar"},
            ["--precharge", "--supply", "--relief"],
        ),
        ({**HOME, "--supply": "140 psi", "--highest": "120 psi"}, ["--supply", "--highest"]),
        ({**LOOP, "--supply": "0.5 bar"}, ["--supply", "--height"]),
        ({**LOOP, "--hot": "109 degC", "--supply": "0.9 bar"}, ["--hot", "--supply"]),
        ({**HOME, "--highest": "160 psi"}, ["--highest", "--relief"]),
        ({**HOME, "--cold": "-5 degC"}, ["--cold"]),
        ({**LOOP, "--glycol": "propylene 70 % by mass"}, ["--glycol"]),
        ({**HOME, "--hot": "8 degC", "--cold": "0 degC"}, ["--hot", "--cold"]),
    ],
)
def test_what_is_missing_or_contradicts_names_the_options(
    size: Size, options: dict[str, str], named: list[str]
) -> None:
    code, out, err = size(options)
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert [name for name in named if name not in err] == []


@pytest.mark.parametrize(
    "text",
    [
        "propylene",
        "propylene 30 %",
        "30 % propylene by mass",
        "methanol 30 % by mass",
        "ethylene .. % by mass",
    ],
)
def test_a_mixture_says_which_glycol_how_much_and_by_what(text: str) -> None:
    with pytest.raises(InputError, match=r"--glycol"):
        size_words.mixture(text)


def test_the_options_name_what_the_core_knows(size: Size) -> None:
    help_text = " ".join(size({}, "--help").out.replace("│", " ").split())
    for kind in (Use, Method, TankKind, Code):
        assert "|".join(kind) in help_text
    assert all(size_words.material("material", name) == shell for name, shell in MATERIALS.items())
    assert size_words.material("material", "unknown") is None
    assert "Example:" in help_text


def test_json_is_one_object_and_what_is_infinite_is_null(size: Size) -> None:
    code, out, err = size({**HOME, "--tank": "1 L", "--tank-precharge": "0 psi"}, "--json")
    assert (code, err) == (0, "")
    found = json.loads(out, parse_constant=pytest.fail)
    assert out.count("\n") == 1
    assert found["present"]["peak_kpa"] is None
    assert found["present"]["enough"] is found["present"]["large_enough"] is False
    assert [one["code"] for one in found["cautions"]] == ["present-peak-near-relief"]
    assert all(one["text"] for one in found["cautions"])
    assert found["advised"]["precharge_kpa"] == pytest.approx(60 * PSI / 1e3, abs=1e-6)
    assert found["steps"][-1]["value"] == pytest.approx(found["exact_l"], abs=1e-6)
    assert found["steps"][-1]["unit"] == "L"


def test_cautions_do_not_change_the_exit_code(size: Size) -> None:
    code, out, _ = size({**HOME, "--supply": "90 psi"})
    assert code == 0
    assert "holds only behind a pressure reducing valve set to 60.0 psi" in " ".join(out.split())


def test_a_page_is_written_beside_the_json(size: Size, tmp_path: Path) -> None:
    path = tmp_path / "tank.html"
    code, out, err = size(HOME, "--json", "--html", path)
    assert (code, err) == (0, f"written: {path}\n")
    assert json.loads(out)["method"] == "potable"
    assert path.read_text().startswith("<!doctype html>")


@pytest.mark.parametrize("link", [False, True])
def test_the_site_file_is_not_written_over(size: Size, tmp_path: Path, link: bool) -> None:
    read = site(tmp_path, "loop")
    out = tmp_path / "other.html" if link else read
    if link:
        out.symlink_to(read)
    code, _, err = size({"--site": str(read)}, "--html", out)
    assert code == 2
    assert "would be lost: it is read here" in err
    assert read.read_text() == SITE.format(kind="loop")


def test_a_place_that_cannot_be_written_is_told(size: Size, tmp_path: Path) -> None:
    path = tmp_path / "none" / "tank.html"
    code, out, err = size(HOME, "--html", path)
    assert (code, out) == (2, "")
    assert err == f"cushionwatch: {path} cannot be written: No such file or directory\n"


def test_a_site_file_that_is_wrong_is_told_with_its_line(size: Size, tmp_path: Path) -> None:
    path = site(tmp_path, "kettle")
    code, _, err = size({"--site": str(path)})
    assert code == 2
    assert f"{path}:5" in err
