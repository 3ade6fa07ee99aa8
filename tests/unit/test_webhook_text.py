"""The document that a program gets: it has the form that its schema promises, for every fault."""

from __future__ import annotations

import json
import math

import jsonschema
import pytest

from monitor.alerting.machine_text import document, encode, schema
from monitor.diagnosis.faults import Fault, Finding, Severity
from monitor.diagnosis.report import ChargeEstimate, Forecast, Report, Verdict
from monitor.service.ports import Alert
from monitor.site import Site

T0 = 1_767_225_600.0
SITE = Site("mill-3", "Mill\n3", supply=413_000.0, customer="Ann & Co", address="1 Weir Street")
REPORT = Report(
    "mill-3", T0, T0 + 60, 2, Verdict.FAULT, "", (ChargeEstimate(T0, 210.0, 200.04, math.inf),), 900.0, 410.0,
    (), (), Forecast(T0 + 86400, T0, None, 300.0), None, 5,
)  # fmt: skip


def finding(fault: Fault, ended: float | None = None) -> Finding:
    evidence: dict[str, float | str | None] = {"ratio": math.nan, "kind": "stuck", "none": None, "count": 3.0}
    return Finding(fault, T0 - 60, T0, Severity.HIGH, 0.97, "seen\x07", "", "", evidence, ended)


def checked(found: bytes) -> dict[str, object]:
    read: dict[str, object] = json.loads(found)
    checker = jsonschema.Draft202012Validator(schema(), format_checker=jsonschema.FormatChecker())
    checker.validate(read)
    return read


@pytest.mark.parametrize("fault", list(Fault))
@pytest.mark.parametrize("ended", [None, T0 + 99.5])
def test_every_fault_has_the_promised_form(fault: Fault, ended: float | None) -> None:
    alert = Alert("mill-3/x/raised", "mill-3", "t", "b", "high", T0, 7)
    read = checked(encode(alert, document(finding(fault, ended), SITE, REPORT)))
    assert (read["act"], read["ended"]) == (
        ("raised", None) if ended is None else ("ended", "2026-01-01T00:01:39.500000Z")
    )
    assert (read["key"], read["event"], read["link"]) == ("mill-3/x/raised", 7, None)


def test_what_is_no_number_is_null_and_what_is_no_letter_is_gone() -> None:
    read = document(finding(Fault.AIR_CHARGE_LOW), SITE, REPORT)
    assert read["evidence"] == {"ratio": None, "kind": "stuck", "none": None, "count": 3.0}
    assert read["air_charge"] == {
        "time": "2026-01-01T00:00:00Z", "kpa": 210.0, "low_kpa": 200.04, "high_kpa": None,
    }  # fmt: skip
    assert (read["seen"], read["site"]["name"]) == ("seen", "Mill 3")
    assert read["pump_setting_kpa"] == 413.0


def test_little_is_known_of_a_new_site_and_the_form_is_the_same() -> None:
    bare = Report("a", None, None, 0, Verdict.LEARNING, "", (), None, None, (), (), None, None, 0)
    alert = Alert("k", "a", "t", "b", "low", T0)
    checked(encode(alert, document(finding(Fault.BLIND), Site("a"), bare)))


def test_the_schema_refuses_what_it_should() -> None:
    good = json.loads(
        encode(Alert("k", "a", "t", "b", "low", T0), document(finding(Fault.BLIND), SITE, REPORT))
    )
    for bad in ({**good, "fault": "odd"}, {**good, "confidence": 2.0}, {**good, "raised": 5}, {"form": 1}):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(bad, schema())
