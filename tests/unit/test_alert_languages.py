"""What recipients read: their language, units and time zone; catalogues that are complete and agree."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest
from catalogue_texts import texts

from monitor.alerting.catalogue import FOLDER, catalogue, fields, read_po
from monitor.alerting.replacement import replacement
from monitor.alerting.texts import TITLE_LENGTH, ended_alert, raised_alert, signature
from monitor.alerting.voice import Voice
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import ChargeEstimate, Forecast, Report, Verdict
from monitor.errors import SettingsError
from monitor.site import Heater, HeaterKind, Site
from monitor.units import PSI

BAR = 1e5

DAY = 86_400.0
T0 = 1_772_323_200.0
"""2026-03-01T00:00:00Z."""
SITE = Site(
    id="mill-3", name="Mühlgasse 3", timezone="America/New_York", unit="psi", customer="Miller", address="Mill Lane 3",
    heater=Heater(HeaterKind.STORAGE, 0.15, 11_700.0, 0.77, 54.0),
    tank_volume=0.008, precharge=60 * PSI, supply=60 * PSI, relief=150 * PSI,
)  # fmt: skip
REPORT = Report(
    site="mill-3", start=T0 - 60 * DAY, end=T0, samples=9, verdict=Verdict.FAULT, verdict_why="",
    air_charge=(ChargeEstimate(T0, 310.0, 280.0, 350.0),), worst_case_peak_kpa=905.0, supply_kpa=420.0,
    findings=(), blind=(), forecast=Forecast(T0 + 18 * DAY, T0 + 10 * DAY, T0 + 33 * DAY, 283.0),
    last_window=T0, windows=100,
)  # fmt: skip
WHY = "The air charge is about 45 psi (41 to 51, 90 % interval); it went from 60 to 45 psi in 12 days."
GERMAN = Voice(catalogue("de"), "de")


def finding(fault: Fault = Fault.AIR_CHARGE_LOW, **changes: object) -> Finding:
    one = Finding(fault, T0 - 12 * DAY, T0, Severity.MEDIUM, 0.97, WHY, "Pump it to 60 psi.", "Hot water.")
    return dataclasses.replace(one, **changes)  # type: ignore[arg-type]


# ---- catalogues


def catalogues() -> list[str]:
    found = [file.stem for file in FOLDER.glob("*.po")]
    assert "de" in found
    return found


@pytest.mark.parametrize("language", catalogues())
def test_no_text_lacks_a_translation_and_none_is_left_over(language: str) -> None:
    assert set(read_po(FOLDER / f"{language}.po")) == texts()


@pytest.mark.parametrize("language", catalogues())
def test_values_and_numbers_agree_with_the_english_text(language: str) -> None:
    for english, own in read_po(FOLDER / f"{language}.po").items():
        assert fields(english) == fields(own)
        assert re.findall(r"\d+", english) == re.findall(r"\d+", own)


def test_entries_of_ones_own_go_before_those_that_come_with_it(tmp_path: Path) -> None:
    (tmp_path / "en.po").write_text(
        '# mine\nmsgid "Back to normal."\nmsgstr ""\n"All "\n"is well."\n', "utf-8"
    )
    own = Voice(catalogue("en", tmp_path))
    assert ended_alert(finding(ended=T0 + DAY), SITE, REPORT, T0, own).body.startswith("All is well.\n")
    (tmp_path / "de.po").write_text(
        'msgid "OVER"\nmsgstr "ENDE"\n\n#, fuzzy\nmsgid "HIGH"\nmsgstr "X"\n', "utf-8"
    )
    german = catalogue("de", tmp_path)
    assert (german["OVER"], german["HIGH"], german["LOW"]) == ("ENDE", "HOCH", "NIEDRIG")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('msgid "about {when}"\nmsgstr "circa {wann}"\n', ["must name the values when", "it names wann"]),
        ('msgid "a"\nmsgstr b"x"\n', ["fr.po:2", "allowed"]),
        ('msgid "a\nmsgstr "b"\n', ["fr.po:1", "allowed"]),
        ('"a"\n', ["fr.po:1"]),
    ],
)
def test_a_wrong_catalogue_is_refused_with_its_place(tmp_path: Path, text: str, words: list[str]) -> None:
    (tmp_path / "fr.po").write_text(text, "utf-8")
    with pytest.raises(SettingsError) as caught:
        catalogue("fr", tmp_path)
    assert all(word in str(caught.value) for word in words)


def test_a_language_without_a_catalogue_names_those_that_have_one() -> None:
    with pytest.raises(SettingsError, match="known: de, en"):
        catalogue("xx")


# ---- German


@pytest.mark.parametrize("fault", list(Fault))
def test_every_alert_in_german_is_german_but_for_what_the_diagnosis_says(fault: Fault) -> None:
    said = dict.fromkeys(("why", "action", "caution"), "")
    for alert in (
        raised_alert(finding(fault, **said), SITE, REPORT, T0, GERMAN),
        ended_alert(finding(fault, ended=T0 + DAY, **said), SITE, REPORT, T0, GERMAN),
    ):
        assert not re.search(r"\b(the|and|is|of|with|not|Since|Caution|Site)\b", alert.body)
        assert alert.title.isascii()
        assert len(alert.title) <= TITLE_LENGTH
        assert "1. März 2026" in alert.body or "28. Februar 2026" in alert.body


def test_german_keeps_the_diagnosis_and_its_numbers() -> None:
    body = raised_alert(finding(), SITE, REPORT, T0, GERMAN).body
    english = raised_alert(finding(), SITE, REPORT, T0).body
    assert f"Die Diagnose in ihren eigenen Worten (englisch): {WHY}" in body
    for words in (
        "sehr wahrscheinlich (97 %)",
        "41 psi",
        "18. März 2026",
        "Kunde: Miller",
        "Adresse: Mill Lane 3",
    ):
        assert words in body
    assert "Customer: Miller" in english
    assert "Address: Mill Lane 3" in english
    assert signature(
        dataclasses.replace(raised_alert(finding(), SITE, REPORT, T0), event=7), GERMAN
    ).startswith("Ereignis 7, Kennung mill-3/air_charge_low/")


def test_titles_spell_umlauts_out() -> None:
    lost = finding(Fault.AIR_CUSHION_LOST, evidence={"relief_discharging_since": T0})
    title = raised_alert(lost, SITE, REPORT, T0, GERMAN).title
    assert title == (
        "[DRINGEND] Muhlgasse 3: Ausdehnungsgefaess hat sein Luftpolster verloren, Sicherheitsventil blaest ab"
    )


# ---- units and time zones


def test_a_recipient_with_metric_units_reads_no_others() -> None:
    body = raised_alert(finding(), SITE, REPORT, T0, Voice(units="metric")).body
    assert not re.search(r"psi|gal|degF", body)
    for words in (
        "about 3.10 bar (2.83 to 3.52, 90 % interval); it went from 4.14 to 3.10 bar in 12 days",
        "Do first: Pump it to 4.14 bar.",
        "storage, 150 L, 11.7 kW, setpoint 54 degC",
        "3.10 bar (90 % sure: 2.80 to 3.50 bar)",
    ):
        assert words in body


def test_a_recipient_with_customary_units_reads_them_first() -> None:
    metric = dataclasses.replace(SITE, unit="bar", supply=4 * BAR, precharge=4 * BAR, relief=10 * BAR)
    body = raised_alert(finding(why="It rests at 4.0 bar."), metric, REPORT, T0, Voice(units="US")).body
    assert " bar" not in body
    for words in (
        "It rests at 58 psi.",
        "39.6 gal (150 L)",
        "setpoint 129 degF (54 degC)",
        "relief setting 145 psi",
    ):
        assert words in body


def test_times_are_those_of_the_site_or_of_the_recipient() -> None:
    assert "28 February 2026, 19:00 EST" in raised_alert(finding(), SITE, REPORT, T0).body
    assert (
        "1 March 2026, 01:00 CET"
        in raised_alert(finding(), SITE, REPORT, T0, Voice(timezone="Europe/Berlin")).body
    )


# ---- the tank to bring


@pytest.mark.parametrize("fault", [Fault.AIR_CUSHION_LOST, Fault.TANK_UNDERSIZED])
def test_who_may_have_to_replace_a_tank_knows_its_size(fault: Fault) -> None:
    tank = replacement(SITE)
    assert tank is not None
    litres = f"{tank.volume * 1000:.3g} L"
    body = raised_alert(finding(fault), SITE, REPORT, T0).body
    assert f"If the tank has to be replaced: {litres} (" in body
    assert "pumped to 60 psi before it is fitted" in body


def test_no_size_is_told_where_the_facts_do_not_suffice() -> None:
    for gap in ({"supply": None}, {"heater": Heater()}, {"relief": 61 * PSI}):
        site = dataclasses.replace(SITE, **gap)  # type: ignore[arg-type]
        assert replacement(site) is None
        assert (
            "has to be replaced: " not in raised_alert(finding(Fault.TANK_UNDERSIZED), site, REPORT, T0).body
        )
