"""Pictures and reports as files that stand alone."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from jinja2 import Environment, PackageLoader, select_autoescape

from monitor.diagnosis.report import Report
from monitor.errors import InputError
from monitor.estimation.samples import FloatArray, Samples
from monitor.site import Site, Visit
from monitor.web import charts, pictures, views, words
from monitor.web.png import png

_SIZE = (960, 340)


def write_plot(path: Path, site: Site, report: Report, log: Samples, visits: Sequence[Visit]) -> None:
    """Draw the air charge, or the line pressure where it is not known, as .png or .svg."""
    chart = pictures.air_charge(site, report, visits)
    if chart is None:
        chart = pictures.line_pressure(site, *thin(log.time, log.pressure), report.findings)
    if chart is None:
        raise InputError("there is nothing to draw: the log has no row")
    svg = charts.standalone(chart, *_SIZE)
    if path.suffix.lower() == ".svg":
        path.write_text(svg, encoding="utf-8")
    else:
        path.write_bytes(png(svg))


def write_report(path: Path, site: Site, report: Report, log: Samples, visits: Sequence[Visit]) -> None:
    """Write everything that is known as one HTML file."""
    environment = Environment(
        loader=PackageLoader("monitor.web"),
        autoescape=select_autoescape(),
        trim_blocks=True,
        lstrip_blocks=True,
    )
    text = environment.get_template("report.html").render(
        style=(Path(charts.__file__).parent / "static" / "style.css").read_text(encoding="utf-8"),
        site=site,
        report=report,
        span=[words.moment(time, site.timezone) for time in (report.start, report.end) if time is not None],
        charge=words.charge(report.air_charge[-1], site.unit) if report.air_charge else "not known",
        peak=views.peak(site, report),
        left=views.left(site, report, report.end or 0.0),
        cards=views.found(site, report),
        blind=[
            (*(words.moment(time, site.timezone) for time in (one.start, one.end)), one.why)
            for one in report.blind
        ],
        settings=views.settings(site),
        charts=[
            pictures.drawn(chart)
            for chart in (
                pictures.air_charge(site, report, visits),
                pictures.line_pressure(site, *thin(log.time, log.pressure), report.findings),
            )
        ],
    )
    path.write_text(text, encoding="utf-8")


def thin(time: FloatArray, values: FloatArray, most: int = pictures.POINTS) -> tuple[FloatArray, FloatArray]:
    """Return at most ``most`` points: all, or the least and the greatest of equal parts of the rows."""
    if len(time) <= most:
        return time, values
    edges = np.linspace(0, len(time), most // 2 + 1).astype(int)
    parts = [slice(first, last) for first, last in itertools.pairwise(edges)]
    kept = np.unique([part.start + pick(values[part]) for part in parts for pick in (np.argmin, np.argmax)])
    return time[kept], values[kept]
