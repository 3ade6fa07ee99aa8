"""Command line of the simulator: ``python -m simulator list | write | publish``.

``write`` makes a folder with the log of one plant, its site file, its visit book and the truth.
``publish`` plays a scenario to an MQTT broker as an ordinary client, faster than real time.
"""

from __future__ import annotations

import argparse
import signal
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

from simulator.arguments import parser
from simulator.catalogue import PLANTS
from simulator.draws import DAY
from simulator.files import rfc3339, write_all
from simulator.player import Pace, batch_length, stream
from simulator.publisher import Broker, Publisher, PublishError, play
from simulator.recording import simulate
from simulator.scenario import SCENARIOS


def _write(args: argparse.Namespace) -> int:
    spec = PLANTS[args.plant]()
    if args.interval is not None:
        spec = replace(spec, sensors=replace(spec.sensors, interval=args.interval))
    if args.unit is not None:
        spec = replace(spec, unit=args.unit)
    recording = simulate(spec, args.days, args.seed, args.start)
    log = write_all(recording, args.out, args.format)
    if not args.quiet:
        sys.stderr.write(f"{len(recording.time)} readings of {args.plant}, {args.days} days: {log}\n")
    return 0


def _secret(path: Path | None) -> str | None:
    if path is None:
        return None
    first = path.read_bytes().split(b"\n", 1)[0].strip()
    if not first:
        raise PublishError(f"password file {path}: its first line is empty; it must hold the password")
    return first.decode("utf-8", "replace")


def _stop_on_signals() -> threading.Event:
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    return stop


def _publish(args: argparse.Namespace) -> int:
    stop = _stop_on_signals()
    now = time.time()  # noqa: TID251 - a program of its own; everything below takes time as an argument
    specs = [site.spec for site in SCENARIOS[args.scenario]()]
    end = now if args.end is None else args.end
    interval = max(spec.sensors.interval for spec in specs)
    epoch = end // interval * interval - args.days * DAY
    until = epoch + args.days * DAY
    length = batch_length(args.speed, interval)
    broker = Broker(args.host, args.port, args.username, _secret(args.password_file), args.cafile)
    publisher = Publisher(broker, stop, lambda text: _tell(args, text))
    publisher.open()
    try:
        _tell(args, f"playing {args.scenario}: {len(specs)} sites, {args.days} days from {rfc3339(epoch)}")
        began = time.monotonic()
        pace = Pace(began, epoch, args.speed, until, now - began)
        batches = stream(specs, args.seed, epoch, until, length, interval if args.follow else None)
        sent = play(batches, publisher, pace, stop, lambda text: _tell(args, text))
        complete = stop.is_set() or publisher.drain(10.0)
        _tell(args, f"{sent} messages in {time.monotonic() - began:.1f} s")
    finally:
        publisher.close()
    if not complete:
        raise PublishError(f"broker {args.host}:{args.port} did not confirm the last messages within 10 s")
    return 0


def _tell(args: argparse.Namespace, text: str) -> None:
    if not args.quiet:
        sys.stderr.write(f"simulator: {text}\n")
        sys.stderr.flush()


def main(argv: list[str] | None = None) -> int:
    """Run one command; return its exit code: 0, or 2 with one line on stderr that says what is wrong."""
    args = parser().parse_args(argv)
    try:
        if args.command == "write":
            return _write(args)
        if args.command == "publish":
            return _publish(args)
    except PublishError as exc:
        sys.stderr.write(f"simulator: {exc}\n")
        return 2
    except OSError as exc:
        sys.stderr.write(f"simulator: {exc.filename} cannot be used: {exc.strerror or exc}\n")
        return 2
    sys.stdout.write("\n".join(PLANTS) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
