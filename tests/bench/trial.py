"""One plant, lived through by the analyser day by day as a live service would, and the truth beside it."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from time import perf_counter

import numpy as np

from monitor import units
from monitor.diagnosis.report import Report
from monitor.estimation.samples import Samples
from monitor.service.analyser import Analyser
from monitor.site import Heater, HeaterKind, Site, Visit, VisitAction
from tests.bench.lottery import Ticket
from tests.plants.cases import Booked
from tests.plants.cushion import Result, atmosphere, course
from tests.plants.size import peak_of
from tests.plants.trace import DAY
from tests.plants.write import START, plant, site_facts


@dataclass(slots=True)
class Said:
    """A finding, days since the start."""

    fault: str
    began: float
    raised: float
    ended: float | None
    confidence: float = 1.0


@dataclass(slots=True)
class Day:
    """What the service would have shown at the end of a day, and the truth then. Pressures kPa gauge.

    ``limit_date`` and so on are days since the start; ``truly`` the day on which the charge passes
    ``limit_kpa`` if it goes on as it does (None: never).
    """

    day: float
    truth: float
    share: float
    verdict: str
    kpa: float | None = None
    low: float | None = None
    high: float | None = None
    limit_date: float | None = None
    limit_low: float | None = None
    limit_high: float | None = None
    limit_kpa: float | None = None
    truly: float | None = None


@dataclass(slots=True)
class Trial:
    """All that is kept of one plant; ``share`` of air left is against a vessel charged to the supply.

    With every kind of fault (``told``): the first cause ``code`` ("" none) from day ``onset`` on, codes that
    are ``also`` no false accusation, ``grey`` where it need not be named, and from which day it is ``due``:
    heating has been that should have shown it.
    """

    seed: int
    scenario: str
    trace: str
    gauged: bool
    temperature: bool
    every: float
    days: float
    supply: float
    rate: float
    events: dict[str, float]
    relief_first: float | None
    relief_days: int
    relief_litres: float
    windows: int = 0
    seconds: float = 0.0
    failed: str = ""
    daily: list[Day] = field(default_factory=list)
    said: list[Said] = field(default_factory=list)
    blind_share: float = 0.0
    rows: int = 0
    told: bool = False
    code: str = ""
    onset: float = 0.0
    also: list[str] = field(default_factory=list)
    grey: bool = False
    due: float | None = None

    def plain(self) -> dict[str, object]:
        """Return what JSON can hold."""
        return asdict(self)


def site_of(ticket: Ticket) -> Site:
    """Return the site as its file would give it."""
    said = site_facts(ticket.case)

    def quantity(key: str, kind: str) -> float | None:
        value = said.get(key)
        return None if value is None else units.parse(value, kind)

    efficiency = said.get("heater.efficiency")
    return Site(
        id=str(said["id"]),
        altitude=quantity("altitude", "length") or 0.0,
        unit="psi",
        heater=Heater(
            HeaterKind(str(said["heater.kind"])),
            quantity("heater.volume", "volume"),
            quantity("heater.input", "power"),
            None if efficiency is None else float(efficiency),
            quantity("heater.setpoint", "temperature"),
        ),
        tank_volume=quantity("tank.volume", "volume"),
        precharge=quantity("tank.precharge", "pressure"),
        supply=quantity("supply.pressure", "pressure"),
        relief=quantity("relief.setting", "pressure"),
    )


def readings_of(ticket: Ticket) -> Result:
    """Return readings and truth of a drawn plant."""
    return plant(ticket.case, ticket.seed, ticket.trace())


def _begin(ticket: Ticket, result: Result) -> Trial:
    case = ticket.case
    spills = result["plant_relieved"] > 0.0
    at = result["plant_time"][spills] / DAY
    events = {wrong.fault: wrong.began / DAY for wrong in case.wrong}
    for visit in case.visits:
        events[visit.action] = visit.time / DAY
    for first, last in case.sensor.gaps:
        events["silent_until"] = last / DAY
        events["silent_from"] = first / DAY
    return Trial(
        ticket.seed,
        ticket.scenario,
        ticket.known.name,
        ticket.gauged,
        case.sensor.temperature,
        case.sensor.every,
        case.days,
        ticket.supply,
        ticket.rate,
        events,
        float(at[0]) if len(at) else None,
        len(np.unique(at.astype(int))),
        float(result["plant_relieved"].sum()) / 1000.0,
        rows=len(result["time"]),
    )


def _tell(trial: Trial, ticket: Ticket, result: Result) -> None:
    told = ticket.told
    if told is None:
        trial.also = _small_as_well(ticket)
        return
    trial.told, trial.code, trial.onset = True, told.code, told.began / DAY
    trial.also, trial.grey = sorted(told.also), told.grey
    when = due(result, told.began, told.code)
    trial.due = None if when is None else when / DAY


def _small_as_well(ticket: Ticket) -> list[str]:
    """Return the code of a tank that, well charged, lets a full recovery come near its relief setting."""
    case = ticket.case
    peak = peak_of(ticket.known, ticket.supply, case.vessel_litres, 0.97 * ticket.supply, case.fitting)
    return ["tank_undersized"] if peak > 0.85 * case.fitting.relief.setting else []


def due(result: Result, began: float, code: str) -> float | None:
    """Return from when [s] on a fault is due to be seen, None where it never showed itself.

    A sensor: from the first burn that moves the line by 20 kPa. Else: from the end of the second burn that
    moves it by 20 kPa, or (heater states) by which it would have.
    """
    time, line = result["plant_time"], result["plant_pressure"]
    burner = result["plant_burner"] > 0.5
    edges = np.flatnonzero(np.diff(burner.astype(np.int8), prepend=0, append=0))
    moved = 0
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if time[first] < began or last - first < 2:
            continue
        moved += float(np.ptp(line[first:last])) > 20.0
        if moved >= (1 if code == "pressure_sensor_fault" else 2):
            return float(time[min(last, len(time) - 1)])
    return None


def live(ticket: Ticket) -> Trial:
    """Run one plant through the analyser; a crash is kept as ``failed``, it is a result too."""
    result = readings_of(ticket)
    trial = _begin(ticket, result)
    _tell(trial, ticket, result)
    began = perf_counter()
    try:
        _feed(ticket, result, trial)
    except Exception as problem:  # noqa: BLE001 - any crash of the analyser is what the bench is for
        trial.failed = f"{type(problem).__name__}: {problem}"
    trial.seconds = perf_counter() - began
    return trial


def _feed(ticket: Ticket, result: Result, trial: Trial) -> None:
    analyser = Analyser(site_of(ticket))
    columns = START + result["time"], result["pressure"], result["heater"], result["temperature"]
    rows = Samples(*(column.astype(np.float64) for column in columns))
    visits = [_visit(booked) for booked in ticket.case.visits]
    first = 0
    for day in range(1, int(ticket.case.days) + 1):
        until = START + day * DAY
        while visits and visits[0].time < until:
            last = int(np.searchsorted(rows.time, visits[0].time))
            analyser.feed(rows.between(first, last))
            analyser.visit(visits.pop(0))
            first = last
        last = int(np.searchsorted(rows.time, until))
        if last > first:
            analyser.feed(rows.between(first, last))
        first = last
        analyser.tick(until)
        trial.daily.append(_evening(ticket, analyser.report(), float(day)))
    _end(trial, analyser.report())


def _visit(booked: Booked) -> Visit:
    water = booked.water_at_valve == "yes"
    return Visit(
        START + booked.time, VisitAction(booked.action), booked.precharge * 1e3, booked.supply * 1e3, water
    )


def _evening(ticket: Ticket, report: Report, day: float) -> Day:
    outside = atmosphere(ticket.case.fitting.altitude)
    truth = float(course(ticket.case.charge, np.array([day * DAY]))[0])
    seen = Day(day, truth, (truth + outside) / (ticket.supply + outside), str(report.verdict))
    if report.air_charge:
        last = report.air_charge[-1]
        seen.kpa, seen.low, seen.high = last.kpa, last.low_kpa, last.high_kpa
    if report.forecast is not None:
        seen.limit_date = (report.forecast.limit_date - START) / DAY
        seen.limit_low = (report.forecast.low - START) / DAY
        seen.limit_high = None if report.forecast.high is None else (report.forecast.high - START) / DAY
        seen.limit_kpa = report.forecast.limit_kpa
        seen.truly = passes(ticket, report.forecast.limit_kpa)
    return seen


def passes(ticket: Ticket, limit: float) -> float | None:
    """Return the day on which a slow loss passes ``limit`` [kPa gauge], None for other plants."""
    if ticket.scenario != "slow_loss":
        return None
    ahead = np.arange(0.0, 1000.0, 0.02)
    below = np.flatnonzero(course(ticket.case.charge, ahead * DAY) < limit)
    return float(ahead[below[0]]) if len(below) else None


def _end(trial: Trial, report: Report) -> None:
    trial.windows = report.windows
    trial.blind_share = sum(span.end - span.start for span in report.blind) / (trial.days * DAY)
    for finding in report.findings:
        ended = None if finding.ended is None else (finding.ended - START) / DAY
        trial.said.append(
            Said(
                str(finding.fault),
                (finding.began - START) / DAY,
                (finding.raised - START) / DAY,
                ended,
                finding.confidence,
            )
        )
