"""Site files: what is read, what is refused, and that every refusal says where and what to do."""

import tomllib
from pathlib import Path

import pytest

from monitor.service.settings import ProblemsError, load_site
from monitor.service.settings.toml import locate
from monitor.site import Heater, HeaterKind, Site

GOOD = """
id = "riverside-12"
name = "Riverside Court"
altitude = "120 m"
timezone = "Europe/London"
unit = "psi"
[heater]
kind = "indirect"
volume = "40 gal"
input = "40000 Btu/h"
efficiency = 0.77
setpoint = "130 degF"
[tank]
volume = "2 gal"
precharge = "60 psi"
[supply]
pressure = "4.2 bar"
[relief]
setting = "150 psi"
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    return path


def problems(folder: Path, text: str) -> list[str]:
    path = write(folder, text)
    with pytest.raises(ProblemsError) as caught:
        load_site(path)
    assert all(problem.file == path for problem in caught.value.problems)
    return [str(problem).removeprefix(str(path)) for problem in caught.value.problems]


def test_a_site_file_becomes_si_units(tmp_path):
    """1 gal = 3.785411784 L, 1 Btu(IT)/h = 0.293071 W, 1 psi = 6894.757 Pa: NIST SP 811 (2008), B.8."""
    site = load_site(write(tmp_path, GOOD))
    assert site.heater.kind is HeaterKind.INDIRECT
    assert site.heater.volume == pytest.approx(40 * 3.785411784e-3, rel=1e-12)
    assert site.heater.input == pytest.approx(11722.84, rel=1e-6)
    assert site.heater.setpoint == pytest.approx(54.4444, abs=1e-4)
    assert site.tank_volume == pytest.approx(7.570823568e-3, rel=1e-12)
    assert site.precharge == pytest.approx(413685.4, rel=1e-6)
    assert site.supply == pytest.approx(420000.0, rel=1e-12)
    assert site.relief == pytest.approx(1034213.6, rel=1e-6)
    assert (site.altitude, site.timezone, site.unit, site.name) == (
        120,
        "Europe/London",
        "psi",
        "Riverside Court",
    )


LOOP = GOOD.replace('kind = "indirect"', 'kind = "loop"')


@pytest.mark.parametrize(
    ("text", "kind", "share"),
    [
        ("propylene 30 % by mass", "propylene", 0.3),
        ("ethylene 25% by mass", "ethylene", 0.25),
        # 0.3 of 1036.1 and 0.7 of 998.2 kg/m3, CRC Handbook, 20 degC
        ("propylene 30 % by volume", "propylene", 0.3 * 1036.1 / (0.3 * 1036.1 + 0.7 * 998.2)),
    ],
)
def test_a_loop_may_hold_glycol(tmp_path, text, kind, share):
    site = load_site(write(tmp_path, LOOP.replace("[tank]", f'glycol = "{text}"\n[tank]')))
    assert site.heater.antifreeze.kind == kind
    assert site.heater.antifreeze.mass_share == pytest.approx(share, rel=1e-4)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('"propylene 30 %"', 'like "propylene 30 % by volume"'),
        ('"30 % propylene by mass"', 'like "propylene 30 % by volume"'),
        ('"methanol 30 % by mass"', "propylene or ethylene"),
        ('"propylene 80 % by mass"', "0..0.6"),
        ("30", 'like "propylene 30 % by volume"'),
        ('"propylene 0 % by volume"', "a share above 0 % is meant; for plain water leave it out"),
    ],
)
def test_glycol_that_cannot_be_is_told_with_its_line(tmp_path, text, words):
    (said,) = problems(tmp_path, LOOP.replace("[tank]", f"glycol = {text}\n[tank]"))
    assert "line 13" in said or said.startswith(":13")
    assert "heater.glycol" in said
    assert words in said


def test_glycol_is_refused_where_people_drink(tmp_path):
    (said,) = problems(tmp_path, GOOD.replace("[tank]", 'glycol = "propylene 30 % by mass"\n[tank]'))
    assert "heating loop" in said


@pytest.mark.parametrize(("text", "metres"), [("9 m", 9.0), ("30 ft", 9.144), ("0 m", 0.0)])
def test_a_loop_has_a_height_above_its_tank(tmp_path, text, metres):
    site = load_site(write(tmp_path, LOOP.replace("[tank]", f'height = "{text}"\n[tank]')))
    assert site.heater.height == pytest.approx(metres, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "words"), [("9 bar", "allowed are m, ft"), ("500 m", "allowed: 0 m to 150 m")]
)
def test_a_height_that_cannot_be_is_told_with_its_line(tmp_path, text, words):
    (said,) = problems(tmp_path, LOOP.replace("[tank]", f'height = "{text}"\n[tank]'))
    assert "line 13" in said or said.startswith(":13")
    assert "heater.height" in said
    assert words in said


def test_a_height_is_refused_where_it_has_no_effect(tmp_path):
    (said,) = problems(tmp_path, GOOD.replace("[tank]", 'height = "9 m"\n[tank]'))
    assert 'height is that of a heating loop (kind = "loop")' in said


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("60 psig", 'all pressures are gauge: write the unit alone, "60 psi"'),
        ("60PSI(g)", 'all pressures are gauge: write the unit alone, "60 psi"'),
        ("5 bar abs", "take off the air pressure outside, about 14.7 psi or 1.01 bar"),
        ("٦٠ psi", "write a number and a unit"),
    ],
)
def test_a_pressure_that_says_gauge_or_absolute_is_told_what_to_write(tmp_path, text, words):
    said = " ".join(problems(tmp_path, f'id = "a"\n[supply]\npressure = "{text}"\n'))
    assert words in said


def test_unknown_values_may_be_left_out(tmp_path):
    assert load_site(write(tmp_path, 'id = "a"')) == Site("a")
    assert load_site(write(tmp_path, 'id = "a"\n[heater]\n')).heater == Heater()


@pytest.mark.parametrize(
    ("old", "new", "line", "words"),
    [
        ('"2 gal"', '"0 L"', 14, ["tank.volume", "'0 L'", "0.1 L to 50 m3"]),
        ('"2 gal"', '"-3 L"', 14, ["tank.volume", "0.1 L to 50 m3"]),
        ('"2 gal"', "8", 14, ["tank.volume", "read 8", "number and a unit"]),
        ('"60 psi"', '"414 psi"', 15, ["tank.precharge", "0 bar to 20 bar", "is the unit right"]),
        ('"60 psi"', '"-5 psi"', 15, ["tank.precharge", "0 bar to 20 bar"]),
        ('"60 psi"', '"60 psia"', 15, ["tank.precharge", "all pressures are gauge"]),
        ('"60 psi"', '"60 furlong"', 15, ["'furlong'", "psi, bar, mbar, kPa, MPa, Pa"]),
        ('"60 psi"', '"nan psi"', 15, ["'nan psi'", "number and a unit"]),
        (
            '"150 psi"',
            '"50 psi"',
            19,
            ["relief.setting (50 psi)", "supply.pressure (60.92 psi)", "stand open"],
        ),
        ('"4.2 bar"', '"4.2 atm"', 17, ["supply.pressure", "'atm'"]),
        (
            "0.77",
            "77",
            11,
            [
                "heater.efficiency",
                "read 77;",
                "a number above 0 and up to 1.1, without quotes; 77 % is written 0.77",
            ],
        ),
        (
            "0.77",
            "0",
            11,
            [
                "heater.efficiency",
                "read 0;",
                "a number above 0 and up to 1.1, without quotes; 77 % is written 0.77",
            ],
        ),
        (
            "0.77",
            "nan",
            11,
            [
                "heater.efficiency",
                "read nan",
                "a number above 0 and up to 1.1, without quotes; 77 % is written 0.77",
            ],
        ),
        (
            "0.77",
            "true",
            11,
            [
                "heater.efficiency",
                "read true",
                "a number above 0 and up to 1.1, without quotes; 77 % is written 0.77",
            ],
        ),
        (
            "0.77",
            '"0.77"',
            11,
            [
                "heater.efficiency",
                "read '0.77'",
                "a number above 0 and up to 1.1, without quotes; 77 % is written 0.77",
            ],
        ),
        ("0.77", '"77 %"', 11, ["read '77 %'", "77 % is written 0.77"]),
        ('"130 degF"', '"130 degC"', 12, ["heater.setpoint", "20 degC to 99 degC"]),
        ('"indirect"', '"indirct"', 8, ["heater.kind", "'loop'", "did you mean 'indirect'?"]),
        ('"120 m"', '"120 km"', 4, ["altitude", "'km'"]),
        ('"120 m"', '"12000 m"', 4, ["altitude", "-500 m to 5000 m"]),
        ('"Europe/London"', '"Europe/Londn"', 5, ["timezone", "did you mean 'Europe/London'?"]),
        ('"Europe/London"', '"../../etc/passwd"', 5, ["timezone", "IANA"]),
        ('"psi"\n', '"Psi"\n', 6, ["unit", "did you mean 'psi'?"]),
        ('"riverside-12"', '"../../x"', 2, ["id", "1 to 64 letters"]),
        ('"riverside-12"', '""', 2, ["id", "1 to 64 letters"]),
        ('"riverside-12"', f'"{"x" * 65}"', 2, ["id", "1 to 64 letters"]),
        ('"riverside-12"', '"a/b"', 2, ["id", "1 to 64 letters"]),
        ('"riverside-12"', '"a\\n"', 2, ["id", "1 to 64 letters"]),
        ('"riverside-12"', "12", 2, ["id", "read 12; allowed: text in quotes"]),
        ('"Riverside Court"', '"a\\u0000b"', 3, ["name", "printable"]),
        ("[supply]", "[suply]", 16, ["suply", "not known", "did you mean 'supply'?"]),
        ("setpoint", "set_point", 12, ["heater.set_point", "not known", "did you mean 'setpoint'?"]),
        ('[relief]\nsetting = "150 psi"', 'relief = "150 psi"', 18, ["supply.relief", "not known"]),
    ],
)
def test_a_wrong_value_is_named_with_its_line_and_a_way_out(tmp_path, old, new, line, words):
    assert GOOD.count(old) >= 1
    found = problems(tmp_path, GOOD.replace(old, new, 1))
    assert len(found) == 1
    assert found[0].startswith(f":{line}: ")
    assert [word for word in words if word not in found[0]] == []


def test_a_missing_id_is_asked_for(tmp_path):
    assert problems(tmp_path, 'name = "x"') == [": id: read nothing; this key is needed"]


def test_all_problems_are_reported_in_the_order_of_the_file(tmp_path):
    found = problems(tmp_path, 'id = "a b"\ntank.volume = "0 L"\nunit = "Pa"\nheater = 3\n')
    assert [text.split(":")[1] for text in found] == ["1", "2", "3", "4"]


@pytest.mark.parametrize(
    ("text", "where", "words"),
    [
        ("", ": ", "holds no settings"),
        ("# only a comment\n", ": ", "holds no settings"),
        ('id = "a"\nunit == "psi"\n', ":2:7: ", "no valid TOML"),
        ('id = "a"\nid = "b"\n', ":2:9: ", "no valid TOML: Cannot overwrite a value"),
        ('id = "a', ":1", "no valid TOML"),
        (f"id = {'[' * 100_000}", ": ", "nested too deeply"),
    ],
)
def test_broken_files_are_told_with_line_and_column(tmp_path, text, where, words):
    (found,) = problems(tmp_path, text)
    assert found.startswith(where)
    assert words in found


def test_missing_files_folders_and_other_encodings_are_told(tmp_path):
    with pytest.raises(ProblemsError, match=r"nothing\.toml: there is no such file"):
        load_site(tmp_path / "nothing.toml")
    with pytest.raises(ProblemsError, match="this is a folder"):
        load_site(tmp_path)
    path = tmp_path / "latin.toml"
    path.write_bytes('id = "a"\nname = "Küche"'.encode("latin-1"))
    with pytest.raises(ProblemsError, match=r"latin\.toml:2: read byte 0xfc; settings files are UTF-8"):
        load_site(path)
    path.write_bytes('id = "a"'.encode("utf-16"))
    with pytest.raises(ProblemsError, match="UTF-8"):
        load_site(path)


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path):
    path = tmp_path / "site.toml"
    path.write_bytes(b'\xef\xbb\xbfid = "a"\r\nunit = "bar"\r\n')
    assert load_site(path).unit == "bar"


def test_locate_finds_every_kind_of_key():
    text = '''# comment with [brackets] = 1
a = 1
"b c" = "x = [ # no comment"
[t.u]  # header
d . e = """
f = 2
[g]
"""
h = [
  1, # ]
  [2, "]"],
]
[[p]]
i = 'x'
[p.q]
j = {k = 1}
[[p]]
[[p.r]]
l = 1
[[p.r]]
l = 2
'''
    lines = locate(text)
    assert lines == {
        ("a",): 2,
        ("b c",): 3,
        ("t", "u"): 4,
        ("t", "u", "d", "e"): 5,
        ("t", "u", "h"): 9,
        ("p",): 13,
        ("p", 0): 13,
        ("p", 0, "i"): 14,
        ("p", 0, "q"): 15,
        ("p", 0, "q", "j"): 16,
        ("p", 1): 17,
        ("p", 1, "r"): 18,
        ("p", 1, "r", 0): 18,
        ("p", 1, "r", 0, "l"): 19,
        ("p", 1, "r", 1): 20,
        ("p", 1, "r", 1, "l"): 21,
    }
    parsed = tomllib.loads(text)
    for key in lines:
        value = parsed
        for part in key:
            value = value[part]


LIMITED = GOOD.replace('pressure = "4.2 bar"', 'pressure = "4.2 bar"\nlimit = "70 psi"')


def test_the_local_limit_of_the_supply_may_be_given(tmp_path):
    """6894.757 Pa a psi: NIST SP 811."""
    assert load_site(write(tmp_path, GOOD)).supply_limit is None
    assert load_site(write(tmp_path, LIMITED)).supply_limit == pytest.approx(70 * 6894.757, rel=1e-6)


def test_a_loop_has_no_limit_of_the_supply(tmp_path):
    (said,) = problems(tmp_path, LIMITED.replace('kind = "indirect"', 'kind = "loop"'))
    assert "supply.limit" in said
    assert "leave the key out" in said


@pytest.mark.parametrize("wrong", ['"0 bar"', '"550"', '"550 bar"', "80"])
def test_a_limit_that_cannot_be_is_told_with_its_line(tmp_path, wrong):
    (said,) = problems(tmp_path, LIMITED.replace('limit = "70 psi"', f"limit = {wrong}"))
    assert said.startswith((":18", ", line 18")) or "line 18" in said
    assert "supply.limit" in said
