"""Command line of the simulator: ``python -m simulator list | write | publish``.

``write`` makes a folder with the log of one plant, its site file, its visit book and the truth.
``publish`` plays a scenario to an MQTT broker as an ordinary client, faster than real time.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from simulator.catalogue import PLANTS
from simulator.files import FORMATS, write_all
from simulator.recording import simulate
from simulator.units import PRESSURE


def _moment(text: str) -> float:
    try:
        when = datetime.fromisoformat(text)
    except ValueError as exc:
        raise argparse.ArgumentTypeError(f"{text!r} is no RFC 3339 date or time, such as 2026-01-05") from exc
    return (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()


def _number(kind: Callable[[str], float], low: float, high: float) -> Callable[[str], float]:
    def read(text: str) -> float:
        try:
            value = kind(text)
        except ValueError as exc:
            raise argparse.ArgumentTypeError(f"{text!r} is no number") from exc
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"{text} is outside {low:g} to {high:g}")
        return value

    return read


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m simulator", description=__doc__.splitlines()[0])
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("list", help="name the plants that write knows")
    write = commands.add_parser("write", help="write the log and the truth of one plant to a folder")
    write.add_argument("plant", choices=sorted(PLANTS), metavar="PLANT", help="see list")
    write.add_argument("--out", type=Path, required=True, help="folder to write to")
    write.add_argument("--days", type=_number(int, 1, 3660), default=30)
    write.add_argument("--seed", type=_number(int, 0, 2**63), default=1)
    write.add_argument("--start", type=_moment, default="2026-01-05", help="RFC 3339, UTC if it does not say")
    write.add_argument("--interval", type=_number(float, 1, 60), help="sampling interval in seconds")
    write.add_argument("--unit", choices=sorted(PRESSURE), help="unit of pressure (default: the plant's)")
    write.add_argument("--format", choices=FORMATS, default="csv")
    write.add_argument("--quiet", action="store_true")
    return parser


def _write(args: argparse.Namespace) -> int:
    spec = PLANTS[args.plant]()
    if args.interval is not None:
        spec = replace(spec, sensors=replace(spec.sensors, interval=args.interval))
    if args.unit is not None:
        spec = replace(spec, unit=args.unit)
    recording = simulate(spec, int(args.days), int(args.seed), args.start)
    try:
        log = write_all(recording, args.out, args.format)
    except OSError as exc:
        sys.stderr.write(f"cannot write to {args.out}: {exc.strerror or exc}\n")
        return 2
    if not args.quiet:
        sys.stderr.write(f"{len(recording.time)} readings of {args.plant}, {args.days} days: {log}\n")
    return 0


def main(argv: list[str] | None = None) -> int:
    """Run one command; return its exit code."""
    args = _parser().parse_args(argv)
    if args.command == "list":
        sys.stdout.write("\n".join(PLANTS) + "\n")
        return 0
    return _write(args)


if __name__ == "__main__":
    sys.exit(main())
