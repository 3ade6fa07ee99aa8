"""Arguments of ``python -m simulator`` and what they may be."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

from simulator.catalogue import PLANTS
from simulator.files import FORMATS
from simulator.scenario import DEMO_DAYS, DEMO_SEED, SCENARIOS
from simulator.units import PRESSURE

_SEEDS = 2**63
Number = TypeVar("Number", int, float)


def moment(text: str) -> float:
    """Return an RFC 3339 date or time (UTC if it does not say) in epoch seconds.

    >>> moment("2026-01-05")
    1767571200.0
    """
    try:
        when = datetime.fromisoformat(text)
    except ValueError as exc:
        raise argparse.ArgumentTypeError(f"{text!r} is no RFC 3339 date or time, such as 2026-01-05") from exc
    return (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()


def number(kind: Callable[[str], Number], low: Number, high: Number) -> Callable[[str], Number]:
    """Return a reader of numbers from ``low`` to ``high``."""

    def read(text: str) -> Number:
        try:
            value = kind(text)
        except ValueError as exc:
            raise argparse.ArgumentTypeError(f"{text!r} is no {kind.__name__}") from exc
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"{text} is outside {low:g} to {high:g}")
        return value

    return read


def parser() -> argparse.ArgumentParser:
    """Return the parser of all commands."""
    top = argparse.ArgumentParser(
        prog="python -m simulator",
        description="Simulated hot-water plants: write their logs, or publish them.",
    )
    commands = top.add_subparsers(dest="command", required=True)
    commands.add_parser("list", help="name the plants that write knows")
    _write(commands.add_parser("write", help="write the log and the truth of one plant to a folder"))
    _publish(commands.add_parser("publish", help="play a scenario to an MQTT broker"))
    return top


def _write(write: argparse.ArgumentParser) -> None:
    write.add_argument("plant", choices=sorted(PLANTS), metavar="PLANT", help="see: python -m simulator list")
    write.add_argument("--out", type=Path, required=True, help="folder to write to")
    write.add_argument("--days", type=number(int, 1, 3660), default=30)
    write.add_argument("--seed", type=number(int, 0, _SEEDS), default=1)
    write.add_argument("--start", type=moment, default="2026-01-05", help="RFC 3339, UTC if it does not say")
    write.add_argument("--interval", type=number(float, 1.0, 60.0), help="sampling interval in seconds")
    write.add_argument("--unit", choices=sorted(PRESSURE), help="unit of pressure (default: the plant's)")
    write.add_argument("--format", choices=FORMATS, default="csv")
    write.add_argument("--quiet", action="store_true")


def _publish(publish: argparse.ArgumentParser) -> None:
    publish.add_argument("--scenario", choices=sorted(SCENARIOS), default="demo")
    publish.add_argument("--host", default="127.0.0.1")
    publish.add_argument("--port", type=number(int, 1, 65535), default=1883)
    publish.add_argument("--username")
    publish.add_argument("--password-file", type=Path, help="file whose first line is the password")
    publish.add_argument("--cafile", type=Path, help="certificate authority of the broker; switches TLS on")
    publish.add_argument("--days", type=number(int, 1, 366), default=DEMO_DAYS)
    publish.add_argument("--seed", type=number(int, 0, _SEEDS), default=DEMO_SEED)
    publish.add_argument(
        "--speed", type=number(float, 0.0, 1e9), default=72000.0, metavar="X",
        help="simulated seconds per second; 0: as fast as the broker takes it (default: a day in 1.2 s)",
    )  # fmt: skip
    publish.add_argument("--end", type=moment, help="last simulated instant (default: now)")
    publish.add_argument("--follow", action="store_true", help="go on in real time after the last instant")
    publish.add_argument("--quiet", action="store_true", help="say nothing but errors")
